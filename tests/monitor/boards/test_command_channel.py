"""A board that says too much, too little, or something else: bounded, counted, and told in one line."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

import pytest

from monitor.boards import line_data
from monitor.boards.board import MOST_AHEAD, BoardSource
from monitor.boards.command_channel import CommandChannel
from monitor.boards.line import LineSink
from monitor.boards.tally import MOST_KINDS, WarningTally
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.protocol.stream import RecordWriter
from monitor.recording.recorder import open_recording
from monitor.sources.file import open_file_source
from monitor.sources.log import LOG_LINE_CHARACTERS, LOG_LINES
from monitor.sources.news import News
from monitor.sources.source import UNKNOWN_GAP
from tests.support.boards import BoardLine

STATUS = r.Status(
    "2",
    2,
    r.SyncState.HFNSYNC,
    r.Loopback.INTERNAL,
    r.StatusFlag.NONE,
    3,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    "X-1",
)


class SaidLine:
    """A line with a board that says `first` when it is opened and `answer` to each command."""

    description = "test line"

    def __init__(self, answer: bytes = b"", first: bytes = b"") -> None:
        self.answer, self.first = answer, first
        self.sink: LineSink | None = None

    def start(self, sink: LineSink) -> None:
        self.sink = sink
        sink.receive(self.first, 0)

    def write(self, data: bytes) -> None:
        assert self.sink is not None
        self.sink.receive(self.answer, 0)

    def close(self) -> None: ...


def channel(answer: bytes = b"", first: bytes = b"") -> CommandChannel:
    made = CommandChannel(SaidLine(answer, first), answer_s=0.01)
    made.start()
    return made


def records(*messages: r.Message) -> bytes:
    writer = RecordWriter()
    return b"".join(writer.message(message) for message in messages)


def raw(kind: int, payload: bytes, *, version: int = 1, spoil: int = 0) -> bytes:
    """One record, of another version or with a wrong octet if wanted."""
    import zlib

    from cobs import cobs

    body = bytes([version, kind]) + bytes(14) + payload
    whole = bytearray(body + zlib.crc32(body).to_bytes(4, "little"))
    whole[-1] ^= spoil
    return b"\0" + bytes(cobs.encode(bytes(whole))) + b"\0"


# ---- bounds ----------------------------------------------------------------------------------------------


def test_answers_that_nobody_asked_for_are_dropped_and_counted() -> None:
    unasked = b"".join(records(r.Acknowledge(n, 0x40, 0, "x" * 60_000)) for n in range(300))
    made = channel()
    tracemalloc.start()
    for _ in range(10):
        made.receive(unasked, 0)
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 10_000_000  # all of them are 180 MB
    assert made.warnings[0] == "answers to no command: 1 so far"
    assert made.tally.counts["answers to no command"] == 3000


def test_a_late_second_answer_is_nothing_to_tell() -> None:
    line = BoardLine(RecordBoard())
    source = BoardSource(line, allow=True, answer_s=0.05)
    status = source.ask_status()
    line.give(records(r.Acknowledge(source.channel._writer.sequence - 1, 0x40, 0, "")))
    assert status.name == "REC-A"
    assert "answers to no command" not in source.channel.tally.counts


def test_log_text_has_a_bound_and_says_what_it_left_out() -> None:
    made = channel()
    for n in range(LOG_LINES + 1000):
        made.log.add(n, "\x1b" * 5000)
    made.receive(records(r.LogText("\x1b" * 60_000)), 0)
    lines, count = made.log.since(0)
    assert (len(lines), count) == (LOG_LINES, LOG_LINES + 1001)
    assert max(len(line.text) for line in lines) < LOG_LINE_CHARACTERS + 60

    class Talking:
        def __init__(self) -> None:
            self.log, self.warnings = made.log, list[str]()

    lines = News(Talking()).lines()  # type: ignore[arg-type]
    assert lines[0].text == "(1001 lines left out: more than 2000 at a time)"
    assert len(lines) == LOG_LINES + 1
    assert lines[-1].text.endswith(" ... (cut; the line has 60000 characters)")


def test_the_words_of_a_peer_make_no_end_of_kinds() -> None:
    warnings: list[str] = []
    tally = WarningTally(warnings)
    for number in range(10_000):
        tally.add(f"record left out: {number} " + "x" * 1000)
    assert len(tally.counts) == MOST_KINDS + 1 and sum(tally.counts.values()) == 10_000
    assert len(warnings) < MOST_KINDS + 6
    assert max(map(len, tally.counts)) == 120


# ---- what a board says of its hyperframes -----------------------------------------------------------------


@pytest.mark.parametrize("jump", [1 << 40, (1 << 63) - 1, 1 << 63, (1 << 64) - 40])
def test_a_number_that_cannot_be_is_a_gap_of_unknown_length(jump: int, tmp_path: object) -> None:
    out = f"{tmp_path}/jump.ffcap"
    line = BoardLine(RecordBoard(BoardSetup(option="1")))
    source = BoardSource(line, answer_s=0.05)
    tap = open_recording(source, out)
    line.pump(10)
    writer = line.board.writer
    payload = r.data_payload(10 + jump, 0, "1", bytes(8192))
    line.give(writer.encode(r.RecordType.FLAGGED, payload, time_ns=(1 << 64) - 1))
    source.channel.ended("")
    chunks = list(tap.chunks())
    tap.close()
    assert [chunk.gap for chunk in chunks] == [0, UNKNOWN_GAP]
    assert source.hyperframes_missing == 0
    again = open_file_source(out)
    assert [chunk.gap for chunk in again.chunks()] == [0, UNKNOWN_GAP]
    again.close()


def test_a_fault_that_nobody_would_live_to_see_is_refused_at_once() -> None:
    line = BoardLine(RecordBoard())
    source = BoardSource(line, allow=True, answer_s=0.05)
    line.pump(10)
    assert source.inject("hdlc.fcs@1000").hyperframe == 1000

    def late(data: bytes) -> bytes:
        number = int.from_bytes(source.channel._writer.sequence.to_bytes(4, "little"), "little") - 1
        return records(r.Acknowledge(number, 0x44, 10**9, ""))

    line.change = late
    with pytest.raises(InputError, match=f"hyperframe 1000000000, 999999990 ahead; at most {MOST_AHEAD} are"):
        source.inject("hdlc.fcs")


def test_a_board_that_lies_about_its_option_ends_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(line_data, "LEFT_OUT_S", 0.3)
    line = BoardLine(RecordBoard())
    source = BoardSource(line, answer_s=0.05)
    line.give(line.board.writer.encode(r.RecordType.FLAGGED, r.data_payload(0, 0, "3", bytes(40960))))
    with pytest.raises(InputError) as told:
        for _ in source.chunks():
            pass
    assert str(told.value) == (
        "test board: no line data that can be used for 0.3 s: line data of option 3 left out, not option 2;"
        " check what the board sends"
    )


# ---- the status ------------------------------------------------------------------------------------------


def test_a_status_that_came_before_the_first_question_is_not_forgotten() -> None:
    made = channel(first=records(STATUS))
    assert made.ask_status(any_will_do=True).name == "X-1"
    with pytest.raises(InputError, match="no answer"):
        made.ask_status()


NO_STATUS: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing": (lambda: b"", "no status came: nothing came; is it the right device, and is the board on?"),
    "version": (
        lambda: 3 * raw(0x10, b"", version=2),
        "no status came: 12 records of version 2; this program reads version 1",
    ),
    "crc": (
        lambda: 10 * raw(0x10, b"", spoil=1),
        "no status came: wrong CRC 40 times; check the CRC-32 of the board and --baud",
    ),
    "option": (
        lambda: raw(0x10, bytes([99]) + bytes(59)),
        "no status came: Status: option code 99 does not exist (4 records); check what the board sends",
    ),
    "text": (
        lambda: b"U-Boot 1.0\r\nlogin:\x1b[0m \r\n",
        r"no status came: 8 lines of text only, the last: login:\x1b[0m ; is it the console of the board?",
    ),
    "other records": (
        lambda: records(r.BoardEvent(r.EventCode.LOS_RAISED, 0, 5)),
        "no status came; the board said: los raised at hyperframe 5",
    ),
    "line data": (
        lambda: raw(0x01, r.data_payload(0, 0, "2", bytes(100))),
        "no status came: 4 records, none of them STATUS",
    ),
    "unknown type": (lambda: raw(0x3F, b""), "no status came: 4 records of unknown type only"),
    "noise": (
        lambda: b"\x00\xff\x81\x82\x00\x05\x01",
        "no status came: 28 octets came, no record among them (not COBS 7 times); check --baud;"
        " for a board that sends raw line data give --form",
    ),
}


@pytest.mark.parametrize("what", NO_STATUS)
def test_why_no_status_came_is_said_in_one_line(what: str) -> None:
    answer, said = NO_STATUS[what]
    with pytest.raises(InputError) as told:
        channel(answer()).ask_status(any_will_do=True)
    assert str(told.value).startswith(f"test line: {said}"[:-1])
