"""Line bits that come or go on the emulated board: word alignment, cutting at hyperframes, and what a receiver sees.

The yardstick of word alignment is a shift register, or the line's bits sliced as np.unpackbits gives them; of the
counters the catalogue's declarations for a receiver behind a deserialiser.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np
import pytest
from encdec8b10b import EncDec8B10B
from numpy.typing import NDArray

from decoders.events import Alarm, AlarmCleared, AlarmRaised, Origin
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder, SymbolEncoder
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.boards.hyperframes import Hyperframes
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.emulation.cutter import HyperframeCutter
from monitor.emulation.deserialiser import Deserialiser
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sent import SentBatch
from monitor.faults.catalogue import parse_fault
from monitor.faults.kinds import Context, Fault
from monitor.faults.verdict import Declared, Observation, judge
from monitor.formats.form_writer import flagged_words
from monitor.formats.forms import Form
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter

U16 = NDArray[np.uint16]
COMMAS = ("0011111010", "1100000101")
"""K28.5 in both columns, a first (IEEE 802.3 table 36-2)."""
K_OCTETS = (0x1C, 0x3C, 0x5C, 0x7C, 0x9C, 0xBC, 0xDC, 0xFC, 0xF7, 0xFB, 0xFD, 0xFE)
VALID = {
    EncDec8B10B.enc_8b10b(octet, column, k)[1]
    for k, octets in ((0, range(256)), (1, K_OCTETS))
    for octet in octets
    for column in (0, 1)
}
"""Symbols of either column, by encdec8b10b (PyPI), whose bit a is bit 0."""
AT, LENGTH, STEP = 12, 40, 7


# ---------------------------------------------------------------- word alignment


def shift_register(sent: U16, cuts: Sequence[tuple[int, int]]) -> list[int]:
    """Bit by bit: symbols as they come; where one is not the sender's, a K28.5 that begins within it begins anew.

    But for the first four invalid ones (in neither column of the table) after the sender's: within them none is
    looked for. `cuts` are bits of what is sent, whatever was moved before.
    """
    line = [(bit, (n, i)) for n, s in enumerate(sent.tolist()) for i, bit in enumerate(f"{s:010b}"[::-1])]
    for at, change in reversed(cuts):
        if change < 0:
            del line[at : at - change]
        else:
            unlike = "10"[int(line[at][0])]
            line[at:at] = [(unlike if i % 2 == 0 else line[at][0], (-1, -1)) for i in range(change)]
    bits = "".join(bit for bit, _ in line)
    out, here, invalid = [], 0, 0
    while here + 10 <= len(bits):
        n = line[here][1][0]
        whole = [place for _, place in line[here : here + 10]] == [(n, i) for i in range(10)]
        if whole:
            invalid = 0
        others = (
            []
            if whole or invalid < 4
            else [i for i in range(here + 1, here + 10) if bits[i : i + 10] in COMMAS]
        )
        if others:
            here = others[0]
            continue
        out.append(int(bits[here : here + 10][::-1], 2))
        invalid += out[-1] not in VALID
        here += 10
    return out


def in_batches(sent: U16, cuts: Sequence[tuple[int, int]], ends: Sequence[int]) -> tuple[list[int], bool]:
    """What our own makes of it in batches, and whether it is in step at the end."""
    ours, out = Deserialiser(), []
    for start, end in zip([0, *ends], [*ends, len(sent)], strict=True):
        here, moved = [], 0
        for at, change in cuts:
            if 10 * start <= at < min(10 * end, 10 * end + change):
                here.append((at - 10 * start + moved, change))
                moved += change
        out += ours.take(sent[start:end], here).tolist()
    return out, ours.in_step


@pytest.mark.parametrize("seed", range(6))
def test_symbols_are_those_of_a_shift_register(seed: int) -> None:
    rng = np.random.default_rng(seed)
    octets = rng.integers(0, 256, 1200).astype(np.uint8)
    octets[::60] = 0xBC
    sent = SymbolEncoder().encode(octets, np.arange(0, 1200, 60))
    cuts = [
        (p + int(rng.integers(0, 600)), int(rng.choice([-33, -9, -1, 1, 4, 12, 27])))
        for p in range(500, 11000, 2100)
    ]
    cuts.append((11700, 3))  # out of step to the end
    ends = np.sort(rng.choice(np.arange(1, 1200), 25, replace=False)).tolist()
    out, in_step = in_batches(sent, cuts, ends)
    plain = shift_register(sent, cuts)
    assert plain != sent.tolist() and not in_step
    assert out == plain[: len(out)] and len(plain) - len(out) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_commas_by_chance_count_across_batches(seed: int) -> None:
    sent = np.random.default_rng(seed).integers(0, 1024, 3000).astype(np.uint16)  # no code: commas anywhere
    for change in (-7, -2, 3, 14):
        plain = shift_register(sent, [(21, change)])
        for ends in (range(1, 3000), (1000,), ()):
            out, in_step = in_batches(sent, [(21, change)], ends)
            assert out == plain[: len(out)] and len(plain) - len(out) <= (not in_step)


def test_in_step_nothing_is_touched() -> None:
    sent = SymbolEncoder().encode(np.arange(100, dtype=np.uint8), np.zeros(0, np.int64))
    assert Deserialiser().take(sent) is sent


# ---------------------------------------------------------------- cutting at hyperframes


def test_pieces_are_all_there_is_however_it_comes() -> None:
    rng = np.random.default_rng(2)
    size, words = 64, rng.integers(0, 0x80, 64 * 40).astype(np.uint16)
    words[::size] = 0x1BC
    lost = [
        *range(5 * size, 6 * size, size),
        *range(9 * size, 11 * size, size),
        *range(15 * size, 20 * size, size),
    ]
    words[lost] = 0x050  # one, two and five sync bytes
    words = np.delete(words, np.arange(1700, 1710))  # ten words less in hyperframe 26
    words[size * np.arange(33, 36) - 10] |= 0x400  # with a disparity error it is a sync byte still
    seen = []
    for step in (len(words), 1, 7, size, 1000):
        cutter = HyperframeCutter(size)
        pieces = [p for at in range(0, len(words), step) for p in cutter.take(words[at : at + step])]
        assert np.array_equal(np.concatenate([p.words for p in pieces]), words)
        whole = [(p.first + i) for p in pieces if not p.uncut for i in range(len(p.words) // size)]
        seen.append((whole, sum(len(p.words) for p in pieces if p.uncut), cutter.next))
    # 15 and 16 without sync byte are cut still; so are 27 and 28, ten words beside.
    expected = [n for n in range(40) if n not in (17, 18, 19, 29)]
    assert seen == [(expected, 3 * size + size - 10, 40)] * 5


def test_uncut_data_are_not_missing_hyperframes() -> None:
    frames, size = Hyperframes(OPTIONS["1"], Form.FLAGGED), 2 * OPTIONS["1"].hyperframe_octets

    def give(number: int, octets: int, *, uncut: bool = False) -> int:
        return len(frames.take(r.LineData(number, 0, "1", bytes(octets), r.RecordType.FLAGGED), uncut=uncut))

    assert give(0, 10 * size) == 10 * size
    # 2.9 hyperframes in three records stand for three.
    assert [give(10, octets, uncut=True) for octets in (size, size, size * 9 // 10 & ~1)] == [
        size,
        size,
        7372,
    ]
    assert (frames.next, frames.missing) == (13, 0)
    give(13, size)
    assert (frames.next, frames.missing) == (14, 0)
    give(14, size, uncut=True)
    give(17, size)
    assert (frames.next, frames.missing, frames.cut) == (18, 2, 0)
    # Control words cannot be told in them.
    assert frames.take(r.LineData(18, 0, "1", bytes(34), r.RecordType.CONTROL), uncut=True) == b""
    assert frames.cut == 1


# ---------------------------------------------------------------- the board


class Host:
    """A board and what its host has of it."""

    def __init__(self, option: str, kind: r.RecordType = r.RecordType.FLAGGED) -> None:
        self.board = RecordBoard(BoardSetup(option=option, data_type=kind))
        form = Form.OCTETS if kind is r.RecordType.OCTETS else Form.FLAGGED
        self.frames = Hyperframes(OPTIONS[option], form)
        self.stream = bytearray()
        self.uncut = 0
        self.said: list[r.Message] = []
        self._reader = RecordReader()
        self._commands = RecordWriter(1)

    def inject(self, text: str) -> None:
        self.give(self.board.receive(self._commands.message(r.InjectFault(text))))

    def pump(self, hyperframes: int) -> None:
        """Hyperframes pass, in steps of some."""
        for done in range(0, hyperframes, STEP):
            self.give(self.board.advance(min(STEP, hyperframes - done)))

    def give(self, octets: bytes) -> None:
        for item in self._reader.feed(octets):
            assert isinstance(item, r.Record)
            if item.type <= r.RecordType.CONTROL:
                uncut = bool(item.flags & r.RecordFlag.UNCUT)
                self.uncut += uncut
                self.stream += self.frames.take(r.parse_data(item), uncut=uncut)
            else:
                self.said.append(r.parse_message(item))
                assert not isinstance(self.said[-1], r.Refuse)


def sliced(option: str, text: str) -> bytes:
    """Flagged words of the line's bits, sliced from each place of a cut on at the next K28.5 after four invalid."""
    board = RecordBoard(BoardSetup(option=option))
    board.sender.schedule(parse_fault(text))
    batches: list[SentBatch] = []
    for done in range(0, LENGTH, STEP):
        batches += board.sender.batch(min(STEP, LENGTH - done))
    writer = LineWriter(LineForm.BITS, board.option)
    packed = writer.write(batches) + writer.finish()
    moved, places = 0, []
    for cut in (cut for batch in batches for cut in batch.cuts):
        if cut.bits % 10:  # whole characters leave the word boundary where it is
            places.append(cut.hyperframe * board.option.hyperframe_line_bits + cut.at + moved)
        moved += cut.bits
    total = LENGTH * board.option.hyperframe_line_bits + moved
    bits = np.unpackbits(np.frombuffer(packed, np.uint8), bitorder="little", count=total)
    line, here, out = bits.tobytes(), 0, []
    for place in places:
        old = here + (place - here) // 10 * 10
        after, invalid = old, 0
        while invalid < 4:
            invalid += int("".join(map(str, line[after : after + 10][::-1])), 2) not in VALID
            after += 10
        found = [line.find(bytes(map(int, comma)), after) for comma in COMMAS]
        comma = min(i for i in found if i >= 0)
        out.append(bits[here : here + (comma - here) // 10 * 10])
        here = comma
    out.append(bits[here:])
    symbols = np.concatenate(out).reshape(-1, 10).astype(np.uint16) @ (1 << np.arange(10, dtype=np.uint16))
    coded = SymbolDecoder().decode(symbols.astype(np.uint16))
    marks = (coded.k_positions, coded.violations, coded.disparity_errors)
    return flagged_words(coded.octets, *marks).astype("<u2").tobytes()


def decoded(stream: bytes, option: str, form: LineForm) -> tuple[dict[str, int], set[tuple[Alarm, bool]]]:
    """Counters, and alarms of the receiver's own that were raised (True) and cleared."""
    decoder = LinkDecoder(LinkSettings(option, form))
    events = [*decoder.receive(stream), *decoder.finish()]
    alarms = [e for e in events if isinstance(e, AlarmRaised | AlarmCleared) and e.origin is Origin.LOCAL]
    return decoder.counters, {(e.alarm, isinstance(e, AlarmRaised)) for e in alarms}


@cache
def clean(option: str, kind: r.RecordType, form: LineForm) -> dict[str, int]:
    host = Host(option, kind)
    host.pump(LENGTH)
    return decoded(bytes(host.stream), option, form)[0]


def _faults() -> Iterator[Fault]:
    names = [
        "line.dark",
        "line.dark:hyperframes=5",
        "line.invert",
        "line.slip:bits=1",
        "line.slip:bits=-1",
        "line.slip:x=200",
    ]
    names += [f"sync.comma:count={n}" for n in (1, 2, 3, 4, 16)]
    names += [f"line.character:characters={n}" for n in (-8, -1, 1, 8)]
    names += [f"delay.step:bits={n}" for n in (-1000, -999, -10, -9, -1, 1, 3, 9, 10, 11, 999)]
    names += [f"delay.drift:bits={n},every=12" for n in (-10, -3, 1, 10)]
    for name in names:
        head, colon, tail = name.partition(":")
        yield parse_fault(f"{head}@{AT}{colon}{tail}")


FAULTS = list(_faults())


def check(host: Host, fault: Fault, kind: r.RecordType) -> None:
    """What a receiver of the host's stream sees is as declared."""
    option, form = (
        host.board.option.name,
        LineForm.FLAGGED if kind is r.RecordType.FLAGGED else LineForm.OCTETS,
    )
    context = Context(OPTIONS[option], LENGTH - 1 - AT, AT, AT, form.has_flags, 40, 3, bits=False)
    counters, alarms = decoded(bytes(host.stream), option, form)
    before = clean(option, kind, form)
    expectation = fault.expectation(context)
    assert judge(Declared(expectation), Observation(before), Observation(counters)) == []
    declared = {(alarm, True) for alarm, _ in expectation.raised} | {
        (alarm, False) for alarm, _ in expectation.cleared
    }
    assert declared <= alarms and (alarms == declared or not context.flags)


@pytest.mark.parametrize("option", ["1", "2", "4"])
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.text)
def test_the_host_has_every_word_and_sees_what_is_declared(fault: Fault, option: str) -> None:
    host = Host(option)
    host.inject(fault.text)
    host.pump(LENGTH)
    assert bytes(host.stream) == sliced(option, fault.text)
    assert (host.frames.missing, host.frames.cut) == (0, 0)
    assert host.frames.next == host.board.received == LENGTH
    check(host, fault, r.RecordType.FLAGGED)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.text)
def test_octets_alone_show_what_is_declared(fault: Fault) -> None:
    host = Host("2", r.RecordType.OCTETS)
    host.inject(fault.text)
    host.pump(LENGTH)
    check(host, fault, r.RecordType.OCTETS)


def test_what_is_sent_uncut() -> None:
    """Up to two sync bytes missed all is cut; after that the rest is, until there is one."""
    uncut = {}
    for text in (
        "sync.comma:count=2",
        "sync.comma:count=3",
        "line.slip:bits=1",
        "line.slip:bits=-1",
        "delay.step:bits=3",
    ):
        host = Host("2")
        host.inject(text)
        host.pump(LENGTH)
        uncut[text] = host.uncut
    assert [bool(n) for n in uncut.values()] == [False, True, False, True, False]


def test_numbers_hold_after_many_slips() -> None:
    host, size = Host("1"), 2 * OPTIONS["1"].hyperframe_octets
    host.inject("delay.drift@5:bits=-7,steps=30,every=12")
    host.pump(380)
    host.inject("sync.hfn@400:value=200")
    host.pump(40)
    assert host.frames.next == host.board.received == 420 and host.frames.missing == 0
    # Each step took seven bits and so one word.
    hfn = 400 * size - 2 * 30 + 2 * 64 * 16
    assert len(host.stream) == 420 * size - 2 * 30
    assert [host.stream[hfn + n * size] for n in (-1, 0, 1)] == [399 % 150, 200, 401 % 150]


def test_control_words_alone_survive_lost_sync() -> None:
    host = Host("2", r.RecordType.CONTROL)
    host.inject(f"line.dark@{AT}:hyperframes=5")
    host.inject("line.slip@30:bits=-1")
    host.pump(50)
    counters, _ = decoded(bytes(host.stream), "2", LineForm.FLAGGED)
    assert host.uncut == 0 and counters["lof_events"] == 2 and host.frames.missing == 1


def test_a_step_of_the_path_is_in_the_status() -> None:
    host = Host("2")
    host.board.loopback = r.Loopback.CABLE
    statuses, offsets = [], []
    for text in ("", "delay.step:bits=23", "line.slip:bits=-1", "line.character:characters=2"):
        if text:
            host.inject(text)
        host.pump(20)
        host.give(host.board.status())
        status = host.said[-1]
        assert isinstance(status, r.Status) and status.alignment_bits is not None
        statuses.append(10 * status.delay_clocks + status.alignment_bits)
        offsets.append((status.alignment_bits - offsets[0]) % 10 if offsets else status.alignment_bits)
    # Counted to half a clock of ten bits.
    assert [round((n - statuses[0]) / 10) for n in statuses] == pytest.approx([0, 2, 2, 4], abs=1)
    assert offsets[1:] == [3, 2, 2]


def test_a_slip_on_the_way_to_the_other_board() -> None:
    near = RecordBoard(BoardSetup(option="1", loopback=r.Loopback.PAIR))
    far, direct = Host("1"), Host("1")
    far.board.loopback = r.Loopback.PAIR
    for board in (near, far.board):
        board.link_changed(True)
    for board in (near, direct.board):
        board.receive(RecordWriter(1).message(r.InjectFault(f"line.slip@{AT}:bits=-1")))
        board.receive(RecordWriter(2).message(r.InjectFault("delay.step@25:bits=-25")))
    link = bytearray()
    for _ in range(12):
        near.advance(5)
        far.board.advance(5)
        near.from_link(far.board.to_link())
        direct.give(direct.board.advance(5))
        link += near.to_link()
    for at in range(0, len(link), 4099):  # no multiple of anything
        far.give(far.board.from_link(bytes(link[at : at + 4099])))
    assert far.board.decoder.state.value == near.decoder.state.value == "HFNSYNC"
    assert far.board.decoder.counters["los_events"] == 2
    assert far.frames.missing == 0 and far.frames.next == far.board.received == 60
    assert len(far.stream) == len(direct.stream) == 2 * (60 * 4096 - 1 - 3)
