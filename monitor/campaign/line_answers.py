"""What must stand on the line of a board, octet by octet, by a table that no code of this project made.

A board that is asked to send a known frame shows on the line how it frames it: flags, stuffing, FCS and their order
in the control octets, or J K, preamble, SFD, code groups, FCS and T R. A sender and a receiver that share a mistake
cannot hide it from the table. `answers.json` in the folder beside this file is made by
tests/vectors/make_line_answers.py. Nothing here decodes, and nothing of decoders/ is used but names.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from decoders.arrays import U8, U16
from decoders.events import Plane

from .known_answers import AnswerResult, Outcome

__all__ = [
    "KNOWN_FRAMES",
    "ControlRun",
    "KnownFrame",
    "LineTable",
    "PlacedBit",
    "SentKnownFrame",
    "line_answers",
]

FOLDER = Path(__file__).with_name("line_answers")
STREAM = "line of the board"
_K = 0x100
_HDLC = "ISO/IEC 13239; CPRI 4.2.7.7.1 (bit order of control octets from memory)"
_ETHERNET = "IEEE 802.3 clauses 3 and 24; CPRI 4.2.7.7.2 (bit order of control octets from memory)"
_NUMBERS, _L1, _SYNC = "CPRI 4.2.7.3", "CPRI 4.2.7.6, Table 13", "CPRI 4.2.9, Table 9"
_HFN_COUNT, _BFN_COUNT = 150, 4096


@dataclass(frozen=True, slots=True)
class KnownFrame:
    """A C&M frame without its FCS, its bits on the line as `0` and `1`, and those of likely mistakes by name."""

    plane: Plane
    about: str
    data: bytes
    bits: str
    wrong: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class SentKnownFrame:
    """A frame that a board was asked for: sent from hyperframe `start` on, or `refused`, and why."""

    frame: KnownFrame
    start: int | None
    refused: str = ""


@dataclass(frozen=True, slots=True)
class PlacedBit:
    """`bits` of the control octet Z.`x`.`y` that a board was asked to set in so many hyperframes from `start` on."""

    name: str
    x: int
    y: int
    bits: int
    value: int
    hyperframes: int
    start: int | None
    refused: str = ""


@dataclass(slots=True)
class ControlRun:
    """Control words (n, 256, T/8) as received, one hyperframe after the other from number `first` on.

    Bits 7 to 0 are the octet, bit 8 is set for a special character; `flags`: there is such a bit at all.
    """

    first: int
    words: U16
    flags: bool

    @property
    def octets(self) -> U8:
        return self.words.astype(np.uint8)

    def rows(self, start: int, count: int) -> U8 | None:
        """The octets of these hyperframes; None where they are not all here."""
        at = start - self.first
        return self.octets[at : at + count] if at >= 0 and at + count <= len(self.words) else None


@cache
def _table() -> Mapping[str, Any]:
    table: Mapping[str, Any] = json.loads((FOLDER / "answers.json").read_text(encoding="utf-8"))
    return table


def _frames() -> tuple[KnownFrame, ...]:
    return tuple(
        KnownFrame(Plane(f["plane"]), f["about"], bytes.fromhex(f["data"]), f["bits"], f["wrong"])
        for f in _table()["frames"]
    )


KNOWN_FRAMES = _frames()


@dataclass(frozen=True, slots=True)
class LineTable:
    """The table for one line bit rate option."""

    option: str
    blocks: bool
    """64B/66B: the sync word is /T/ and /S/."""

    @property
    def word_octets(self) -> int:
        return int(_table()["places"]["word_octets"][self.option])

    @property
    def control_octets(self) -> int:
        """Octets Y of a word that belong to the control channel."""
        return min(self.word_octets, int(_table()["places"]["control_octets"]))

    @property
    def alarm_masks(self) -> Mapping[str, int]:
        masks: Mapping[str, int] = _table()["places"]["alarm_masks"]
        return masks

    @property
    def alarms_at(self) -> tuple[int, int]:
        return self._at("alarms")

    @property
    def sync(self) -> dict[int, int]:
        """Octet Y of Z.0 and the special character that stands there."""
        name = "sync_64b66b" if self.blocks else "sync_8b10b"
        return {int(y): octet for y, octet in _table()["places"][name].items()}

    def _at(self, name: str) -> tuple[int, int]:
        x, y = _table()["places"][name]
        return x, y

    def column(self, name: str, octets: U8) -> U8:
        """A named octet of each hyperframe."""
        x, y = self._at(name)
        column: U8 = octets[:, x, y]
        return column

    def fillers_wrong(self, octets: U8) -> int:
        """Hyperframes with other octets than fillers beside the sync characters."""
        places = _table()["places"]
        word = octets[:, 0, : self.control_octets]
        right = word == places["filler"]
        if not self.blocks and word.shape[1] > 1:
            right[:, 1] |= word[:, 1] == places["filler_beside_sync_8b10b"]
        right[:, list(self.sync)] = True
        return int(np.count_nonzero(~right.all(axis=1)))

    @property
    def rate_codes(self) -> Mapping[int, Sequence[tuple[int, int]]]:
        """(X, Y) of the slow C&M octets in their order, by HDLC rate code."""
        return {int(c): [(x, y) for x, y in at] for c, at in _table()["slow_places"][self.option].items()}

    def settings(self, runs: Sequence[ControlRun]) -> tuple[int, int]:
        """HDLC rate code and pointer p as most hyperframes announce them."""
        octets = np.concatenate([run.octets for run in runs])
        rate = np.bincount(self.column("rate_code", octets) & 0x07, minlength=8)
        pointer = np.bincount(self.column("pointer_p", octets) & 0x3F, minlength=64)
        return int(rate.argmax()), int(pointer.argmax())

    def slow(self, octets: U8, code: int) -> U8:
        """Slow C&M octets in order of transmission."""
        x, y = np.array(self.rate_codes[code]).T
        channel: U8 = octets[:, x, y].reshape(-1)
        return channel

    def fast(self, octets: U8, pointer: int) -> U8:
        """Fast C&M octets in order of transmission."""
        words = _table()["fast_words"][str(pointer)]
        channel: U8 = octets[:, words, : self.control_octets].reshape(-1)
        return channel

    def channel(self, plane: Plane, octets: U8, settings: tuple[int, int]) -> U8 | None:
        """The octets of a C&M channel; None where these settings have none."""
        code, pointer = settings
        if plane is Plane.HDLC:
            return self.slow(octets, code) if code in self.rate_codes else None
        return self.fast(octets, pointer) if str(pointer) in _table()["fast_words"] else None


# ---- results ------------------------------------------------------------------------------------------------


def _result(
    plane: Plane, rule: str, clause: str, outcome: Outcome, expected: str, observed: str
) -> AnswerResult:
    return AnswerResult(STREAM, plane, rule, clause, outcome, expected, observed)


def _judged(plane: Plane, rule: str, clause: str, right: bool, expected: str, observed: str) -> AnswerResult:
    return _result(plane, rule, clause, Outcome.PASS if right else Outcome.FAIL, expected, observed)


def line_answers(
    option: str,
    blocks: bool,
    runs: Sequence[ControlRun],
    frames: Sequence[SentKnownFrame],
    placed: Sequence[PlacedBit] = (),
) -> list[AnswerResult]:
    """Every row for what a board has sent; `runs` are in the order in which they came, and not empty."""
    table = LineTable(option, blocks)
    settings = table.settings(runs)
    out = [*_sync(table, runs), *_numbers(table, runs), *_settings(table, runs, settings)]
    out += [_frame(table, runs, settings, sent) for sent in frames]
    return out + [_bit(runs, bit) for bit in placed]


def _sync(table: LineTable, runs: Sequence[ControlRun]) -> Iterator[AnswerResult]:
    words = np.concatenate([run.words for run in runs])
    flags, n = all(run.flags for run in runs), len(words)
    missing = 0
    for y, octet in table.sync.items():
        wanted = octet | _K if flags else octet
        missing += int(np.count_nonzero((words[:, 0, y] & (0x1FF if flags else 0xFF)) != wanted))
    names = "/T/ and /S/" if table.blocks else "K28.5"
    places = " and ".join(f"Z.0.{y}" for y in table.sync)
    rule = f"{names} in {places}" + ("" if flags else ", by its octet")
    yield _judged(Plane.SYNC, rule, _SYNC, not missing, f"in {n} hyperframes", f"not in {missing} of {n}")
    if table.control_octets > 1:
        wrong = table.fillers_wrong(words.astype(np.uint8))
        expected = "50 in every octet beside it" + ("" if table.blocks else ", or C5 in Z.0.1")
        yield _judged(
            Plane.SYNC, "fillers beside the sync byte", _SYNC, not wrong, expected, f"not in {wrong} of {n}"
        )


def _numbers(table: LineTable, runs: Sequence[ControlRun]) -> Iterator[AnswerResult]:
    """HFN and BFN, each hyperframe against the one before it."""
    pairs = steps = 0
    bad_hfn: list[str] = []
    bad_bfn: list[str] = []
    for run in runs:
        octets = run.octets
        hfn = table.column("hfn", octets).astype(int)
        bfn = (
            table.column("bfn_low", octets).astype(int)
            | (table.column("bfn_high", octets).astype(int) & 15) << 8
        )
        due_hfn, due_bfn = (hfn[:-1] + 1) % _HFN_COUNT, (bfn[:-1] + (hfn[1:] == 0)) % _BFN_COUNT
        pairs += len(due_hfn)
        steps += int(np.count_nonzero(hfn[1:] == 0))
        bad_hfn += [f"{hfn[i]} then {hfn[i + 1]}" for i in np.flatnonzero(hfn[1:] != due_hfn).tolist()]
        bad_bfn += [f"{bfn[i]} then {bfn[i + 1]}" for i in np.flatnonzero(bfn[1:] != due_bfn).tolist()]
    for rule, bad, wanted in (
        ("HFN in Z.64.0 counts 0 to 149", bad_hfn, "one more each hyperframe, 0 behind 149"),
        ("BFN in Z.128.0 and bits 3 to 0 of Z.192.0 steps with HFN 0", bad_bfn, "one more with HFN 0 only"),
    ):
        if not bad and not steps:
            why = f"HFN 0 did not come in {pairs + len(runs)} hyperframes that followed each other"
            yield _result(Plane.SYNC, rule, _NUMBERS, Outcome.NOT_PROVEN, wanted, why)
        else:
            seen = f"{bad[0]}; {len(bad)} times" if bad else f"so in {pairs} hyperframes"
            yield _judged(Plane.SYNC, rule, _NUMBERS, not bad, wanted, seen)


def _settings(
    table: LineTable, runs: Sequence[ControlRun], settings: tuple[int, int]
) -> Iterator[AnswerResult]:
    octets = np.concatenate([run.octets for run in runs])
    code, pointer = settings
    versions = sorted(set(table.column("version", octets).tolist()))
    rule = "protocol version in Z.2.0"
    yield _judged(Plane.L1, rule, _L1, versions == [1], "1", " ".join(map(str, versions)))
    known = sorted({0, *table.rate_codes})
    rates = sorted(set((table.column("rate_code", octets) & 7).tolist()))
    wanted = "one of " + " ".join(map(str, known))
    rule = "HDLC rate code in bits 2 to 0 of Z.66.0"
    yield _judged(Plane.L1, rule, _L1, rates == [code] and code in known, wanted, " ".join(map(str, rates)))
    pointers = sorted(set((table.column("pointer_p", octets) & 63).tolist()))
    right = pointers == [pointer] and (not pointer or pointer >= 20)
    rule = "pointer p in bits 5 to 0 of Z.194.0"
    yield _judged(Plane.L1, rule, _L1, right, "0, or one of 20 to 63", " ".join(map(str, pointers)))


def _bits_of(channel: U8, *, reverse: bool = False) -> bytes:
    return np.unpackbits(channel, bitorder="big" if reverse else "little").tobytes()


def _pattern(bits: str) -> bytes:
    return bytes(bit == "1" for bit in bits)


def times_sent(
    table: LineTable, runs: Sequence[ControlRun], settings: tuple[int, int], sent: SentKnownFrame
) -> int:
    """How often the right bits of a frame are on the line from the hyperframe on in which it may begin."""
    return _times(table, runs, settings, sent, sent.frame.bits)


def _times(
    table: LineTable,
    runs: Sequence[ControlRun],
    settings: tuple[int, int],
    sent: SentKnownFrame,
    bits: str,
    *,
    reverse: bool = False,
) -> int:
    pattern, found = _pattern(bits), 0
    for run in runs:
        # What stands before the frame may be in the hyperframe before.
        octets = run.octets[max(0, (sent.start or 0) - 1 - run.first) :]
        channel = table.channel(sent.frame.plane, octets, settings)
        if channel is None:
            return 0
        line, at = _bits_of(channel, reverse=reverse), -1
        while (at := line.find(pattern, at + 1)) >= 0:
            found += 1
    return found


def _frame(
    table: LineTable, runs: Sequence[ControlRun], settings: tuple[int, int], sent: SentKnownFrame
) -> AnswerResult:
    frame = sent.frame
    name = "HDLC" if frame.plane is Plane.HDLC else "Ethernet"
    parts = (
        "flags, stuffing, FCS-16" if frame.plane is Plane.HDLC else "J K, preamble, SFD, 4B/5B, FCS-32, T R"
    )
    rule = f"known {name} frame of {len(frame.data)} octets ({frame.about}): {parts}"
    clause = _HDLC if frame.plane is Plane.HDLC else _ETHERNET
    expected = f"once on the line: {_shown(frame.bits)}"
    if sent.start is None:
        return _result(frame.plane, rule, clause, Outcome.NOT_PROVEN, expected, sent.refused)
    count = times_sent(table, runs, settings, sent)
    if count == 1:
        return _result(frame.plane, rule, clause, Outcome.PASS, expected, "once, bit for bit")
    if count:
        return _result(frame.plane, rule, clause, Outcome.FAIL, expected, f"{count} times")
    found = _mistake(table, runs, settings, sent)
    if not found and len(runs) > 1:
        why = "hyperframes are missing in the line data, the frame may have been in them"
        return _result(frame.plane, rule, clause, Outcome.NOT_PROVEN, expected, why)
    rows = sum(len(run.words) for run in runs)
    observed = found or f"nothing like it in {rows} hyperframes"
    return _result(frame.plane, rule, clause, Outcome.FAIL, expected, observed)


def _mistake(
    table: LineTable, runs: Sequence[ControlRun], settings: tuple[int, int], sent: SentKnownFrame
) -> str:
    """The name of the mistake with which a frame was sent, where the table has it."""
    for name, bits in sent.frame.wrong.items():
        if _times(table, runs, settings, sent, bits):
            return f"{name}: {_shown(bits)}"
    if _times(table, runs, settings, sent, sent.frame.bits, reverse=True):
        return "control octets with their highest bit first"
    if sent.frame.plane is Plane.HDLC:
        others = [(code, settings[1]) for code in table.rate_codes if code != settings[0]]
        names = [f"in the places of rate code {code}" for code, _ in others]
    else:
        others = [(settings[0], settings[1] + by) for by in (-1, 1)]
        names = [f"in the places of pointer p = {pointer}" for _, pointer in others]
    for other, name in zip(others, names, strict=True):
        if _times(table, runs, other, sent, sent.frame.bits):
            return name
    return ""


def _shown(bits: str, most: int = 64) -> str:
    return bits if len(bits) <= most else f"{bits[: most // 2]}...{bits[-most // 2 :]}"


def _bit(runs: Sequence[ControlRun], bit: PlacedBit) -> AnswerResult:
    """A control octet before, while and after it is set."""
    plane = Plane.VENDOR if bit.name.startswith("vendor") else Plane.L1
    clause = "CPRI 4.2.7.7.3" if plane is Plane.VENDOR else _L1
    what = f"{bit.value:02X}" if plane is Plane.VENDOR else f"bit {bit.bits.bit_length() - 1}"
    rule = (
        f"{bit.name} is {what} of Z.{bit.x}.{bit.y}"
        if plane is Plane.L1
        else f"{bit.name} is Z.{bit.x}.{bit.y}"
    )
    expected = f"{what} in {bit.hyperframes} hyperframes, not before and behind them"

    def judge(outcome: Outcome, seen: str) -> AnswerResult:
        return _result(plane, rule, clause, outcome, expected, seen)

    if bit.start is None:
        return judge(Outcome.NOT_PROVEN, bit.refused)
    rows = next((r for run in runs if (r := run.rows(bit.start - 1, bit.hyperframes + 2)) is not None), None)
    if rows is None:
        return judge(Outcome.NOT_PROVEN, "hyperframes are missing in the line data")
    octets = rows[:, bit.x, bit.y]
    # Another alarm bit that comes along is as wrong as one that does not come.
    masked = octets & (0x1F if plane is Plane.L1 else 0xFF)
    right = bool((masked[1:-1] == bit.value).all() and not (masked[[0, -1]] == bit.value).any())
    text = " ".join(f"{octet:02X}" for octet in octets.tolist())
    return judge(Outcome.PASS if right else Outcome.FAIL, f"octets {text}")
