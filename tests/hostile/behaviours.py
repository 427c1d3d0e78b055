"""The list of what hostile boards do, and what each command must answer to it."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator

from cobs import cobs

from decoders.linerates import option_named
from monitor.protocol import records as r
from monitor.protocol.stream import RecordWriter
from tests.hostile.hostile_board import (
    HYPERFRAME_WORDS,
    Answer,
    Behaviour,
    Board,
    Piece,
    Script,
    flagged_hyperframes,
    polite,
)

__all__ = ["BEHAVIOURS"]

hostile_text = "\x1b]0;owned\x07\x1b[2J\x9b31m\u202e\u2066[red]\x00\r\n<b>& \N{DEGREE SIGN}C"
"""Escape sequences, C1, bidirectional controls, markup, NUL, line ends; and text that is none of these."""


def _mute(board: Board, command: r.Record) -> bytes:
    return b""


BEHAVIOURS: list[Behaviour] = []


def behaviour(answer: Answer = polite, **expected: object) -> Callable[[Script], Script]:
    def keep(script: Script) -> Script:
        name = script.__name__.strip("_").replace("_", " ")
        BEHAVIOURS.append(Behaviour(name, script, answer, **expected))  # type: ignore[arg-type]
        return script

    return keep


_NONE = {"decode": (2,), "tell": (2,), "record": (2,), "screen": False}
"""No command can do anything with this board."""
_NO_SYNC = {"decode": (2,)}
_SHORT = {"record": (2,)}
"""The recording ends before its limit, and says so."""


# ------------------------------------------------------------------------------------------- no record at all


@behaviour(_mute, **_NONE, says="nothing received")
def says_nothing(board: Board) -> Iterator[Piece]:
    yield 0.2


@behaviour(_mute, **_NONE)
def noise(board: Board) -> Iterator[Piece]:
    for _ in range(20 * board.many):
        yield board.random.randbytes(10_000)


@behaviour(_mute, **_NONE)
def only_delimiters(board: Board) -> Iterator[Piece]:
    for _ in range(20 * board.many):
        yield bytes(50_000)


@behaviour(_mute, **_NONE)
def never_a_delimiter(board: Board) -> Iterator[Piece]:
    for _ in range(40 * board.many):
        yield b"\xff\x01\xfe\x02" * 10_000


@behaviour(_mute, **_NONE, says="console")
def a_console(board: Board) -> Iterator[Piece]:
    yield b"U-Boot 2031.04\r\nlogin: \r\n# " + hostile_text.encode() + b"\n"


@behaviour(_mute, **_NONE)
def text_without_an_end_of_line(board: Board) -> Iterator[Piece]:
    for _ in range(40 * board.many):
        yield b"all work and no play " * 2000


@behaviour(_mute, **_NONE)
def endless_lines_of_text(board: Board) -> Iterator[Piece]:
    for number in range(20 * board.many):
        yield b"".join(b"%d %d tick\n" % (number, line) for line in range(1000))


@behaviour(_mute, **_NONE)
def text_that_is_hex(board: Board) -> Iterator[Piece]:
    yield b"0000: bc 50 c5 00 00 00\n" * 2000


@behaviour(
    lambda board, command: RecordWriter(command.sequence).encode(command.type, command.payload), **_NONE
)
def a_looped_plug(board: Board) -> Iterator[Piece]:
    yield 0.2


@behaviour(_mute, **_NONE)
def everything_inverted(board: Board) -> Iterator[Piece]:
    for piece in (board.start(), *board.good(8)):
        yield bytes(octet ^ 0xFF for octet in piece)


@behaviour(_mute, **_NONE)
def leaves_at_once(board: Board) -> Iterator[Piece]:
    yield from ()


# ------------------------------------------------------------------------------------------- records that are none


def _framed(body: bytes) -> bytes:
    return b"\0" + cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"


@behaviour(_mute, **_NONE, says="version 2")
def another_version(board: Board) -> Iterator[Piece]:
    for number in range(12):
        yield _framed(bytes([2, r.RecordType.STATUS]) + number.to_bytes(14, "little") + bytes(60))


@behaviour(_mute, **_NONE, says="CRC")
def wrong_crc(board: Board) -> Iterator[Piece]:
    for _ in range(40):
        line = bytearray(board.status())
        line[-3] ^= 1 if line[-3] > 1 else 2
        yield bytes(line)


@behaviour(_mute, **_NONE)
def every_record_cut_short(board: Board) -> Iterator[Piece]:
    for _ in range(40):
        yield board.status()[:-8] + b"\0"


@behaviour(_mute, **_NONE)
def records_without_an_end(board: Board) -> Iterator[Piece]:
    for _ in range(8 * board.many):
        yield cobs.encode(bytes([1, 1]) + b"\xa5" * 200_000)


@behaviour(_mute, **_NONE)
def records_of_one_octet(board: Board) -> Iterator[Piece]:
    for _ in range(4 * board.many):
        yield b"\x02\x01\0" * 4000


@behaviour(_mute, **_NONE)
def only_unknown_types(board: Board) -> Iterator[Piece]:
    for number in range(2000 * board.many):
        yield board.record(0x30 + number % 8, b"later")


# ------------------------------------------------------------------------------------------- status


@behaviour(_mute, **_NONE, says="99")
def an_option_that_does_not_exist(board: Board) -> Iterator[Piece]:
    for _ in range(5):
        yield board.status(option=99)


@behaviour(lambda b, c: b.acknowledge(c) + b.status(sync=9), **_NONE)
def a_sync_state_that_does_not_exist(board: Board) -> Iterator[Piece]:
    yield board.status(sync=9)
    yield 0.2


@behaviour(lambda b, c: b.acknowledge(c) + b.status(loopback=77), **_NONE)
def a_loopback_that_does_not_exist(board: Board) -> Iterator[Piece]:
    yield board.status(loopback=77)
    yield 0.2


@behaviour(lambda b, c: b.acknowledge(c) + b.status(alignment=200), **_NONE)
def an_alignment_beyond_a_block(board: Board) -> Iterator[Piece]:
    yield board.status(alignment=200)
    yield 0.2


@behaviour(lambda b, c: b.acknowledge(c) + b.record(r.RecordType.STATUS, bytes(51)), **_NONE)
def a_status_of_51_octets(board: Board) -> Iterator[Piece]:
    yield board.record(r.RecordType.STATUS, bytes(51))
    yield 0.2


@behaviour(lambda b, c: b.acknowledge(c) + b.status(data_type=200), tell=(0, 2))
def a_data_type_that_does_not_exist(board: Board) -> Iterator[Piece]:
    yield board.status(data_type=200)
    yield from board.good()


@behaviour(
    lambda b, c: b.acknowledge(c) + b.status(option=0),
    decode=(2,),
    record=(2,),
    screen=False,
    says="--option",
)
def knows_no_option(board: Board) -> Iterator[Piece]:
    yield board.status(option=0)
    yield 0.2


@behaviour(_mute, tell=(0,))
def status_by_itself_and_no_answer(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield 0.2
    for _ in range(10):
        yield from board.good(4)
        yield board.status()
        yield 0.03


@behaviour()
def every_counter_at_its_end(board: Board) -> Iterator[Piece]:
    most = 2**32 - 1
    names = ("delay", "period", "violations", "disparity", "los", "lof", "resets", "lost", "bad")
    yield board.start()
    yield board.status(flags=0xFFFF, hyperframes=2**64 - 1, **dict.fromkeys(names, most))
    yield from board.good()


@behaviour(lambda b, c: b.acknowledge(c) + b.status(hostile_text))
def a_hostile_name(board: Board) -> Iterator[Piece]:
    yield board.status(hostile_text)
    yield from board.good()


@behaviour(lambda b, c: b.acknowledge(c) + b.status("N" * 60_000))
def a_name_of_60000_octets(board: Board) -> Iterator[Piece]:
    yield board.status("N" * 60_000)
    yield from board.good()


@behaviour(lambda b, c: b.acknowledge(c) + b.status(b"\xff\xfe\xc0\x80" + bytes(20)))
def a_name_that_is_no_text(board: Board) -> Iterator[Piece]:
    yield board.status(b"\xff\xfe\xc0\x80" + bytes(20))
    yield from board.good()


@behaviour()
def another_option_every_second(board: Board) -> Iterator[Piece]:
    for number in range(10):
        yield board.status(option=1 + number % 7)
        yield from board.good(4)


@behaviour(
    lambda b, c: b.acknowledge(c) + b.status(option=8, data_type=4, alignment=37, flags=0x3C),
    decode=(0, 2),
    record=(0, 2),
    screen=None,
)
def a_board_at_option_8(board: Board) -> Iterator[Piece]:
    yield board.status(option=8, data_type=4, alignment=37, flags=0x3C)
    yield 0.2


@behaviour()
def a_flood_of_status(board: Board) -> Iterator[Piece]:
    for _ in range(10):
        yield b"".join(board.status() for _ in range(200 * board.many))
        yield from board.good(4)


# ------------------------------------------------------------------------------------------- answers


@behaviour(lambda b, c: b.acknowledge(r.Record(c.type, 0, c.sequence + 1, 0, b"")) + b.status())
def answers_with_another_number(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield 0.2
    yield from board.good()
    yield 0.2


@behaviour(lambda b, c: b.answer(c) * 3)
def answers_three_times(board: Board) -> Iterator[Piece]:
    yield board.start()
    yield from board.good()


@behaviour()
def answers_that_nobody_asked_for(board: Board) -> Iterator[Piece]:
    yield board.start()
    for number in range(10):
        flood = (r.Record(0x40, 0, 1000 * number * board.many + i, 0, b"") for i in range(400 * board.many))
        yield b"".join(board.acknowledge(command, "x" * 200) for command in flood)
        yield from board.good(4)


@behaviour(lambda b, c: b.refuse(c, 4, hostile_text) + b.status(), tell=(0, 2))
def refuses_everything(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield from board.good()


@behaviour(lambda b, c: b.refuse(c, 99, "x") + b.status(), tell=(0, 2))
def refuses_for_a_reason_that_does_not_exist(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield 0.2
    yield from board.good()
    yield 0.2


@behaviour(lambda b, c: b.acknowledge(c, hostile_text * 50, 2**64 - 1) + b.status())
def acknowledges_for_the_end_of_time(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield from board.good()


@behaviour(lambda b, c: b.acknowledge(c), tell=(2,), decode=(2,), record=(2,), screen=False)
def acknowledges_and_sends_no_status(board: Board) -> Iterator[Piece]:
    yield from board.good(8)
    yield 0.5


@behaviour(lambda b, c: b.record(r.RecordType.ACKNOWLEDGE, b"\1\2\3") + b.status())
def answers_that_are_too_short(board: Board) -> Iterator[Piece]:
    yield board.start(2)
    yield 0.2
    yield from board.good()
    yield 0.2


@behaviour()
def commands_to_the_host(board: Board) -> Iterator[Piece]:
    yield board.start()
    for message in (r.AskStatus(), r.ResetTransceiver(r.Transceiver(3)), r.InjectFault(hostile_text)):
        yield board.writer.message(message)
        yield from board.good(16)


# ------------------------------------------------------------------------------------------- log and events


@behaviour()
def hostile_log_texts(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(10):
        yield board.log(hostile_text) + hostile_text.encode() + b"\n"
        yield from board.good(4)


@behaviour()
def a_flood_of_log(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(10):
        yield b"".join(board.log("disk full " * 20) for _ in range(200 * board.many))
        yield from board.good(4)


@behaviour()
def log_texts_of_60000_octets(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(10):
        yield b"".join(board.log("L" * 60_000) for _ in range(4 * board.many))
        yield from board.good(4)


@behaviour()
def events_that_do_not_exist(board: Board) -> Iterator[Piece]:
    yield board.start()
    for code in range(0, 256, 8):
        yield board.record(r.RecordType.EVENT, struct.pack("<B3xIQ", code, 2**32 - 1, 2**64 - 1))
        yield from board.good(2)


@behaviour()
def a_line_code_record_of_nonsense(board: Board) -> Iterator[Piece]:
    yield board.start()
    for size in (0, 3, 36, 500):
        yield board.record(r.RecordType.LINE_CODE, b"\xff" * size)
        yield from board.good(12)


# ------------------------------------------------------------------------------------------- line data


@behaviour(decode=(0, 2), record=(0, 2))
def data_of_another_option(board: Board) -> Iterator[Piece]:
    """It says option 1, and sends hyperframes of option 7."""
    size = 2 * option_named("7").hyperframe_octets
    yield board.start()
    for number in range(12):
        octets = board.random.randbytes(size)
        for at in range(0, size, 65536):
            yield board.data(0, words=octets[at : at + 65536], number=number, offset=at)


@behaviour(**_SHORT, decode=(2,))
def data_that_name_another_option(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(20):
        yield board.data(option=3)


@behaviour()
def numbers_that_jump_by_2_to_63(board: Board) -> Iterator[Piece]:
    yield board.start()
    for count in range(40):
        yield board.data(number=count if count < 20 else 2**63 + count)


@behaviour()
def numbers_at_their_end(board: Board) -> Iterator[Piece]:
    yield board.start()
    for count in range(40):
        yield board.data(number=2**64 - 20 + count)


@behaviour()
def numbers_that_go_back(board: Board) -> Iterator[Piece]:
    yield board.start()
    for count in range(40):
        yield board.data(number=10_000 - 100 * count)


@behaviour()
def always_the_same_number(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(number=7)


@behaviour()
def a_restart_every_four_hyperframes(board: Board) -> Iterator[Piece]:
    for _ in range(10):
        board.writer.sequence = 0
        board.hyperframe = 0
        yield board.start()
        yield board.data(4)


@behaviour()
def pieces_out_of_order(board: Board) -> Iterator[Piece]:
    yield board.start()
    words = flagged_hyperframes(300)[: 2 * HYPERFRAME_WORDS]
    for _ in range(10):
        yield board.data(0, words=words[4096:], offset=4096)
        yield board.data(1, words=words[:4096])
        yield board.data(4)


@behaviour()
def pieces_without_an_end(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(200 * board.many):
        yield board.data(words=b"\0" * 4096)
    yield from board.good()


@behaviour()
def pieces_beyond_the_hyperframe(board: Board) -> Iterator[Piece]:
    yield board.start()
    for offset in (2 * HYPERFRAME_WORDS, 2**31, 2**32 - 2):
        yield board.data(0, words=b"\0" * 64, offset=offset)
    yield from board.good()


@behaviour()
def data_of_no_length(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(500 * board.many):
        yield board.data(0, words=b"")
    yield from board.good()


@behaviour()
def data_of_half_words(board: Board) -> Iterator[Piece]:
    yield board.start()
    for size in (1, 3, 8191, 8193):
        yield board.data(0, words=b"\0" * size)
        yield board.data(0, words=b"\0" * 8192, offset=size)
    yield from board.good()


@behaviour()
def data_without_their_head(board: Board) -> Iterator[Piece]:
    yield board.start()
    for size in range(16):
        yield board.record(2, bytes(size))
    yield from board.good()


@behaviour(record=(0, 2))
def uncut_data_of_any_length(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(words=bytes(2 * board.random.randrange(9000)), flags=r.RecordFlag.UNCUT)
    yield from board.good()


@behaviour(decode=(0, 2), record=(0, 2))
def uncut_control_words(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(kind=3, words=bytes(512), flags=r.RecordFlag.UNCUT)


@behaviour(record=(0, 2))
def another_type_in_every_record(board: Board) -> Iterator[Piece]:
    yield board.start()
    flagged = flagged_hyperframes(300)
    for number in range(80):
        kind = 1 + number % 4
        size = {1: 4096, 2: 8192, 3: 512, 4: 4608}[kind]
        yield board.data(kind=kind, words=flagged[:size])


@behaviour(**_NO_SYNC)
def words_with_every_flag(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(words=b"\xff" * 8192)


@behaviour(decode=(0, 2))
def k28_5_everywhere(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(words=b"\xbc\x01" * 4096)


@behaviour(**_NO_SYNC)
def words_at_random(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(words=board.random.randbytes(8192))


@behaviour(decode=(2,), record=(2,))
def no_line_data(board: Board) -> Iterator[Piece]:
    yield board.start()
    yield 0.2


# ------------------------------------------------------------------------------------------- numbers, flags, time


@behaviour()
def sequence_numbers_at_random(board: Board) -> Iterator[Piece]:
    yield board.start()
    for piece in board.good():
        board.writer.sequence = board.random.getrandbits(32)
        yield piece


@behaviour()
def first_and_lost_in_every_record(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(flags=r.RecordFlag.FIRST | r.RecordFlag.LOST | 0xFFF8)


@behaviour()
def times_at_random(board: Board) -> Iterator[Piece]:
    yield board.start()
    for _ in range(40):
        yield board.data(time_ns=board.random.getrandbits(64))


@behaviour()
def one_octet_at_a_time(board: Board) -> Iterator[Piece]:
    for octet in board.start() + board.data(1):
        yield bytes([octet])
    yield from board.good()


@behaviour(record=(2,))
def leaves_in_the_middle_of_a_record(board: Board) -> Iterator[Piece]:
    yield board.start()
    yield from board.good(8)
    yield 0.05
    yield board.data(4)[:5000]


@behaviour()
def noise_between_records(board: Board) -> Iterator[Piece]:
    yield board.start()
    for piece in board.good(60):
        yield board.random.randbytes(500) + b"\0" + piece
