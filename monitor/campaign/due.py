"""What a right receiver must tell of one transmission, worked out from what the sender put on the line.

Nothing of decoders/ but names is used: places and values come from `faults.standard`, sync from `sync_model`, and C&M
frames from the sender's queues, or, where control octets are damaged or sync is lost, from the second receiver's
channels.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass, field
from itertools import groupby

import numpy as np

from decoders.arrays import I64, U8
from decoders.counters import COUNTERS, FRAME_COUNTERS
from decoders.events import FrameStatus, Plane

from ..faults import standard as std
from ..reference.cm_channels import AcceptedValue, EthernetReceiver, Frame, HdlcReceiver
from .facts import Fact, frame_fact
from .sent_stream import SentStream
from .sync_model import SyncStretch, stretches_of

__all__ = ["Due", "TimedDue", "due_of"]

_COMMA, _FILLERS = 0xBC, (0x50, 0xC5)
_T_AT, _S_AT, _SYNC_BLOCKS = 7, 8, bytes([0x50] * 7 + [0xFD, 0xFB] + [0x50] * 7)
"""The sync word of 64B/66B (Table 9A)."""
_ALIGNED_BITS = {"8b10b": 10, "64b66b": 66}
_OF_BLOCKS = frozenset(("block_header_errors", "block_type_unexpected", "block_lock_losses"))
"""Counters that do not hang on whether LOS is raised."""
_VERSION, _RATE, _ALARMS, _POINTER = 2, 66, 130, 194
_HFN, _BFN_LOW, _BFN_HIGH = 64, 128, 192
_SETTLES = 9
"""Hyperframes after line bits came or went, or the line was inverted, in which nothing is held exactly."""


@dataclass(frozen=True, slots=True)
class TimedDue:
    """A fact due somewhere in hyperframes `first` to `last`."""

    fact: Fact
    first: int
    last: int


@dataclass(slots=True)
class Due:
    """`facts` in the order of the line for each plane; `blind`: hyperframes of which nothing is held exactly.

    `timed` are alarms that a receiver may tell a little sooner or later, `optional` frames that may arrive, or
    come to a bad end. `counters` are totals; `exact` are those
    counters whose total is certain. `timing` and `settings` (version, rate code, pointer p as accepted; None where
    nothing is decoded) hold for each hyperframe; `lost` are those that are not decoded. `alignments`: word
    alignment offsets (0 to 9, 0 to 65) one after the other, none where the form has no bits. `aligned_bits` is 10
    or 66.
    """

    facts: list[Fact] = field(default_factory=list)
    timed: list[TimedDue] = field(default_factory=list)
    optional: list[Fact] = field(default_factory=list)
    counters: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTERS, 0))
    exact: frozenset[str] = frozenset()
    blind: range = range(0)
    timing: list[tuple[int, int]] = field(default_factory=list)
    settings: list[tuple[int, int, int] | None] = field(default_factory=list)
    sent_good: frozenset[bytes] = frozenset()
    first: int = 0
    lost: frozenset[int] = frozenset()
    alignments: tuple[int, ...] = ()
    aligned_bits: int = 10


def due_of(
    stream: SentStream, *, flags: bool = True, lead_bits: int | None = None, types: bool = True
) -> Due:
    """What must arrive of a stream; without `flags` the receiver sees neither K characters nor code errors.

    Without `types` it sees no block types and no block lock.
    `lead_bits` come before the first one sent, where the receiver finds the word alignment itself.
    """
    due = _Work(stream, flags, types).done()
    due.aligned_bits = period = _ALIGNED_BITS[stream.option.line_code]
    if lead_bits is not None:
        offsets = [lead_bits % period]
        for at in sorted(stream.moved):
            offsets.append((offsets[-1] + stream.moved[at]) % period)
        due.alignments = tuple(offset for offset, _ in groupby(offsets))
    return due


class _Work:
    def __init__(self, stream: SentStream, flags: bool, types: bool) -> None:
        self.stream, self.flags, self.types = stream, flags, types
        self.option = stream.option.name
        self.control: U8 = np.stack(stream.control)
        self.n = len(stream)
        self.due = Due()
        self.alarms = 0
        self.rejected: dict[str, int] = {}
        self.seed: int | None = None
        self.blocks = stream.option.line_code == "64b66b"
        self.open_alone = not stream.moved and not stream.unread and bool(stream.signal_open)
        self.uncertain = sorted(
            stream.moved.keys() | stream.unread | (stream.signal_open if flags else set())
        )

    def done(self) -> Due:
        due, stream = self.due, self.stream
        if self.uncertain:
            due.blind = range(self.uncertain[0], self.uncertain[-1] + _SETTLES)
        stretches = self._stretches()
        due.first = stretches[0].first if stretches else 0
        due.settings = [None] * self.n
        hfn = self.control[:, _HFN, 0].tolist()
        low = self.control[:, _BFN_LOW, 0].astype(np.int64)
        high = (self.control[:, _BFN_HIGH, 0] & 0x0F).astype(np.int64) << 8
        due.timing = list(zip((low | high).tolist(), hfn, strict=True))
        due.sent_good = frozenset(f.data + f.fcs for f in stream.frames if f.status is FrameStatus.GOOD)
        for number, stretch in enumerate(stretches):
            self._stretch(stretch)
            following = stretches[number + 1].first if number + 1 < len(stretches) else None
            self._sync(stretch, following)
        self._line(stretches)
        self._frames(stretches)
        self._count(stretches)
        return due

    # ---- sync and line

    def _errors(self) -> dict[int, int]:
        if not self.flags or self.blocks:
            return {}
        return {at: errors.characters for at, errors in self.stream.errors.items()}

    def _stretches(self) -> list[SyncStretch]:
        if self.uncertain:  # as if sync held; what is uncertain is blind
            return [SyncStretch(0, self.n)]
        word = self.control[:, 0]
        wrong = word[:, 0] != _COMMA
        if self.blocks:
            wrong = (word[:, _T_AT] != _SYNC_BLOCKS[_T_AT]) | (word[:, _S_AT] != _SYNC_BLOCKS[_S_AT])
        octets = set(np.flatnonzero(wrong).tolist())
        missing = octets | self.stream.no_comma if self.flags else octets
        return stretches_of(self.n, missing, self._errors())

    def _sync(self, stretch: SyncStretch, following: int | None) -> None:
        due, control = self.due, self.control
        for at in stretch.missed:
            due.facts.append(
                Fact(Plane.SYNC, "sync byte missed", at, (int(control[at, 0, _T_AT if self.blocks else 0]),))
            )
        for at in stretch.left_sync:
            due.facts.append(Fact(Plane.SYNC, "HFNSYNC left", at, ()))
        for at in (stretch.first + std.HITS_TO_SYNC - 1, *stretch.back_in_sync):
            if at < self.n:
                due.facts.append(Fact(Plane.SYNC, "HFNSYNC reached", at, ()))
        at = self.n if stretch.loses_at is None else stretch.loses_at
        if not stretch.lof:
            return
        if stretch.los:
            if not stretch.left_sync or len(stretch.back_in_sync) == len(stretch.left_sync):
                self._timed(Plane.SYNC, "HFNSYNC left", (), at, at + 1)
            self._timed(Plane.LINE, "alarm raised", ("los", "local"), at, at + 1)
        self._timed(Plane.SYNC, "alarm raised", ("lof", "local"), at, at + 1)
        if following is not None:
            if stretch.los:
                self._timed(Plane.LINE, "alarm cleared", ("los", "local"), at + 1, following + 1)
            last = following + std.HITS_TO_SYNC - 1
            self._timed(Plane.SYNC, "alarm cleared", ("lof", "local"), following, last)

    def _timed(self, plane: Plane, kind: str, what: tuple[str, ...], first: int, last: int) -> None:
        self.due.timed.append(TimedDue(Fact(plane, kind, first, what), first, last))

    def _line(self, stretches: Sequence[SyncStretch]) -> None:
        if not self.flags:
            return
        width, facts = self.stream.option.word_octets, self.due.facts
        for stretch in stretches:
            for at in range(stretch.first, stretch.end):
                errors = self.stream.errors.get(at)
                if errors is not None:
                    found = (errors.violations, errors.disparity_errors, errors.first_octet)
                    facts.append(Fact(Plane.LINE, "code errors", at, found))
                facts += self._of_blocks(at)
                k = self.stream.misplaced_k.get(at)
                if k:
                    place, octet = k[0]
                    x, rest = divmod(place, 16 * width)
                    what = (len(k), x, rest // width, rest % width, octet)
                    facts.append(Fact(Plane.LINE, "unexpected K", at, what))

    def _of_blocks(self, at: int) -> Iterator[Fact]:
        """Errors of 64B/66B and RS-FEC of a hyperframe."""
        blocks, codewords = self.stream.block_errors.get(at), self.stream.codewords.get(at)
        if blocks is not None and self.types:
            yield Fact(Plane.LINE, "block errors", at, astuple(blocks)[:4])
        elif blocks is not None and blocks.headers:
            yield Fact(Plane.LINE, "block errors", at, (blocks.headers, 0, 0, blocks.first_header))
        if codewords is not None:
            yield Fact(Plane.LINE, "codeword errors", at, astuple(codewords))

    # ---- one stretch

    def _stretch(self, stretch: SyncStretch) -> None:
        first, end = stretch.first, stretch.end
        facts = self.due.facts
        for at in range(first, end):
            facts.append(Fact(Plane.IQ, "IQ data", at, (self.stream.iq[at],)))
        facts += self._fillers(first, end)
        facts += self._seeds(first, end)
        facts += self._continuity(first, end)
        facts += self._l1(first, end)
        facts += self._alarm_bits(first, end)
        self._accept(first, end)
        facts += self._octets(first, end)

    def _fillers(self, first: int, end: int) -> Iterator[Fact]:
        if self.blocks:
            yield from self._sync_word(first, end)
            return
        filler = self.control[first:end, 0, 1:]
        if not filler.shape[1]:
            return
        right = filler == _FILLERS[0]
        right[:, 0] |= filler[:, 0] == _FILLERS[1]
        for row in np.flatnonzero(~right.all(axis=1)).tolist():
            yield Fact(Plane.SYNC, "filler", first + row, (filler[row].tobytes(),))

    def _sync_word(self, first: int, end: int) -> Iterator[Fact]:
        """The octets beside /T/ and /S/ where these are in place."""
        words = self.control[first:end, 0, : len(_SYNC_BLOCKS)]
        right = words == np.frombuffer(_SYNC_BLOCKS, np.uint8)
        in_place = right[:, _T_AT] & right[:, _S_AT]
        for row in np.flatnonzero(in_place & ~right.all(axis=1)).tolist():
            if first + row not in self.stream.no_comma or not self.flags:
                yield Fact(Plane.SYNC, "filler", first + row, (words[row].tobytes(),))

    def _seeds(self, first: int, end: int) -> Iterator[Fact]:
        """The seed holds from the hyperframe it stands in; octets known to be 50h that are not fit no seed."""
        if not self.stream.seeds:
            return
        fits = (self.control[first:end, 0, 2:] == _FILLERS[0]).all(axis=1)
        for at in range(first, end):
            if not fits[at - first]:
                yield Fact(Plane.SYNC, "scrambling seed unreliable", at, (self.seed or 0,))
                continue
            seed = self.stream.seeds[at]
            if self.seed not in (None, seed):
                yield Fact(Plane.SYNC, "scrambling seed changed", at, (self.seed, seed))
            self.seed = seed

    def _continuity(self, first: int, end: int) -> Iterator[Fact]:
        """HFN counts 0 to 149, BFN steps with HFN 0 (clause 4.2.7.3); a gap is found once, then followed."""
        due_hfn: int | None = None
        due_bfn: int | None = None
        for at in range(first, end):
            bfn, hfn = self.due.timing[at]
            valid = hfn < std.HFN_COUNT
            if not valid:
                yield Fact(Plane.SYNC, "HFN not valid", at, (hfn,))
            elif due_hfn not in (None, hfn):
                yield Fact(Plane.SYNC, "HFN discontinuity", at, (due_hfn, hfn))
            if due_bfn not in (None, bfn):
                yield Fact(Plane.SYNC, "BFN discontinuity", at, (due_bfn, bfn))
            here = hfn if valid else due_hfn
            due_hfn = None if here is None else (here + 1) % std.HFN_COUNT
            due_bfn = (bfn + (due_hfn == 0)) % std.BFN_COUNT

    def _fields(self) -> tuple[tuple[str, str, I64], ...]:
        control = self.control[:, :, 0].astype(np.int64)
        return (
            ("version", "version", control[:, _VERSION]),
            ("hdlc_rate_code", "rate", control[:, _RATE] & 0x07),
            ("pointer_p", "pointer", control[:, _POINTER] & 0x3F),
        )

    def _valid(self, name: str, value: int) -> bool:
        if name == "version":
            return std.version_valid(self.option, value)
        return std.rate_valid(self.option, value) if name == "hdlc_rate_code" else std.pointer_valid(value)

    def _l1(self, first: int, end: int) -> Iterator[Fact]:
        counters = {
            "version": "version_unknown",
            "hdlc_rate_code": "hdlc_rate_invalid",
            "pointer_p": "pointer_invalid",
        }
        for name, octet, values in self._fields():
            before: int | None = None
            known = {value: self._valid(name, value) for value in np.unique(values[first:end]).tolist()}
            if len(known) == 1 and all(known.values()) and name not in self.rejected:
                continue
            for at, value in enumerate(values[first:end].tolist(), first):
                if before not in (None, value):
                    yield Fact(Plane.L1, "L1 octet", at, (octet, before, value))
                before = value
                if known[value]:
                    self.rejected.pop(name, None)
                    continue
                self.due.counters[counters[name]] += 1
                if self.rejected.get(name) != value:
                    yield Fact(Plane.L1, "setting not valid", at, (name, value))
                self.rejected[name] = value

    def _alarm_bits(self, first: int, end: int) -> Iterator[Fact]:
        run = 0
        for at, octet in enumerate((self.control[first:end, _ALARMS, 0] & 0x1F).tolist(), first):
            changed = octet ^ self.alarms
            if changed:
                yield Fact(Plane.L1, "L1 octet", at, ("alarms", self.alarms, octet))
                for name, mask in std.ALARM_MASKS.items():
                    if changed & mask:
                        word = "raised" if octet & mask else "cleared"
                        yield Fact(Plane.L1, f"alarm {word}", at, (name, "remote"))
                self.due.counters["l1_alarm_changes"] += changed.bit_count()
                self.alarms = octet
            run = run + 1 if octet & std.ALARM_MASKS["reset"] else 0
            if run == std.RESET_HYPERFRAMES:
                yield Fact(Plane.L1, "reset request", at, ())

    def _accept(self, first: int, end: int) -> None:
        """The filtered settings of each hyperframe."""
        columns: list[list[int]] = []
        for name, _, values in self._fields():
            needed = std.VERSION_TAKEN_OVER if name == "version" else std.TAKEN_OVER
            filtered = AcceptedValue(values[first : first + 3].tolist(), needed)
            column: list[int] = []
            for at, value in enumerate(values[first:end].tolist(), first):
                old = filtered.value
                if filtered.receive(value):
                    what = (name, old, filtered.value)
                    self.due.facts.append(Fact(Plane.L1, "setting accepted", at, what))
                column.append(filtered.value)
            columns.append(column)
        for at, version, rate, pointer in zip(range(first, end), *columns, strict=True):
            self.due.settings[at] = (version, rate, pointer)

    def _octets(self, first: int, end: int) -> Iterator[Fact]:
        flat = self.control.reshape(self.n, -1)
        differ = flat[first + 1 : end] != flat[first : end - 1]
        for row in np.flatnonzero(differ.any(axis=1)).tolist():
            at = first + 1 + row
            settings = self.due.settings[at]
            assert settings is not None
            _, rate, pointer = settings
            for plane, octets in (
                (Plane.VENDOR, std.vendor_octets(self.option, pointer)),
                (Plane.CTRL_AXC, std.ctrl_axc_octets(self.option)),
                (Plane.RESERVED, std.reserved_octets(self.option, rate)),
            ):
                for i in np.flatnonzero(differ[row, octets.at]).tolist():
                    ns, xs, y = octets.places[i].tolist()
                    old, new = (int(flat[k, octets.at[i]]) for k in (at - 1, at))
                    yield Fact(plane, "octet", at, (ns, xs, y, old, new))

    # ---- C&M frames

    def _frames(self, stretches: Sequence[SyncStretch]) -> None:
        whole = len(stretches) == 1 and stretches[0] == SyncStretch(0, self.n)
        missed = len(stretches) == 1 and stretches[0].end == self.n and not stretches[0].first
        if self.uncertain:
            self._frames_beside_blind()
        elif (whole or missed) and self.stream.frames_listed and not self._channels_touched():
            for f in self.stream.frames:
                self.due.facts.append(frame_fact(f.plane, f.hyperframe, f.status, f.data, f.fcs, 0))
        else:
            self.due.facts += self._frames_read(stretches)

    def _channels_touched(self) -> bool:
        width = self.stream.option.word_octets
        k = any(at % (16 * width) < width for row in self.stream.misplaced_k.values() for at, _ in row)
        return bool(k or self.stream.damaged_control or len(set(self.due.settings)) > 1)

    def _frames_beside_blind(self) -> None:
        """Frames wholly before what is uncertain, and wholly after it; one that may have begun within may arrive."""
        due = self.due
        before: dict[Plane, int] = {}
        for f in self.stream.frames:
            last, before[f.plane] = before.get(f.plane, 0), f.hyperframe
            fact = frame_fact(f.plane, f.hyperframe, f.status, f.data, f.fcs, 0)
            if f.hyperframe < due.blind.start or last >= due.blind.stop:
                due.facts.append(fact)
            elif f.hyperframe >= due.blind.stop:
                due.optional.append(fact)

    def _frames_read(self, stretches: Sequence[SyncStretch]) -> Iterator[Fact]:
        hdlc, ethernet = HdlcReceiver(), EthernetReceiver()
        flat = self.control.reshape(self.n, -1)
        counters = self.due.counters
        for number, stretch in enumerate(stretches):
            now: tuple[int, int] | None = None
            for at in range(stretch.first, stretch.end):
                settings = self.due.settings[at]
                assert settings is not None
                rate, pointer = settings[1:]
                if now is not None and now[0] != rate:
                    counters["hdlc_lost_sync"] += hdlc.reset()
                if now is not None and now[1] != pointer:
                    counters["ethernet_lost_sync"] += ethernet.reset()
                now = (rate, pointer)
                slow = flat[at, std.hdlc_places(self.option, rate).at].tolist()
                fast = flat[at, std.ethernet_octets(self.option, pointer).at].tolist()
                yield from _read(Plane.HDLC, at, hdlc.receive(slow))
                yield from _read(Plane.ETHERNET, at, ethernet.receive(fast))
            if number + 1 < len(stretches) or stretch.lof:
                counters["hdlc_lost_sync"] += hdlc.reset()
                counters["ethernet_lost_sync"] += ethernet.reset()

    # ---- counters

    def _count(self, stretches: Sequence[SyncStretch]) -> None:
        due = self.due
        counters = due.counters
        for fact in due.facts:
            for name, by in _moves(fact):
                if self.blocks and name == "filler_mismatches":
                    name = "sync_word_filler_mismatches"
                counters[name] += by
        for stretch in stretches:
            counters["lof_events"] += stretch.lof
            counters["los_events"] += stretch.los + stretch.los_before
        if self.flags:
            lost = set(range(self.n)) - {at for s in stretches for at in range(s.first, s.end)}
            for at in lost & self.stream.errors.keys():
                counters["code_violations"] += self.stream.errors[at].violations
                counters["disparity_errors"] += self.stream.errors[at].disparity_errors
            for at in lost:
                facts = self._of_blocks(at)
                for name, by in (move for fact in facts for move in _moves(fact)):
                    counters[name] += by
        due.exact = frozenset(() if due.blind else COUNTERS)
        if self.open_alone and not self.stream.codewords:
            due.exact = _OF_BLOCKS
        due.lost = frozenset(range(self.n)) - {at for s in stretches for at in range(s.first, s.end)}


def _read(plane: Plane, at: int, frames: Iterable[Frame]) -> Iterator[Fact]:
    for frame in frames:
        yield frame_fact(plane, at, frame.status, frame.data, frame.fcs, frame.left_out)


_BLOCK_COUNTERS = ("block_header_errors", "block_type_unexpected", "block_lock_losses")
_CODEWORD_COUNTERS = ("fec_corrected_codewords", "fec_corrected_symbols", "fec_uncorrected_codewords")
"""In the order of the facts, whose last value is a place."""
_ONE = {
    "sync byte missed": "missed_sync_bytes",
    "filler": "filler_mismatches",
    "HFN not valid": "hfn_invalid",
    "HFN discontinuity": "hfn_discontinuities",
    "BFN discontinuity": "bfn_discontinuities",
    "reset request": "reset_requests",
    "scrambling seed changed": "scrambling_seed_changes",
    "scrambling seed unreliable": "scrambling_unreliable",
}


def _moves(fact: Fact) -> Iterator[tuple[str, int]]:
    """Counters that a fact moves; those of alarms and settings are counted where they are found."""
    if fact.kind in _ONE:
        yield _ONE[fact.kind], 1
    elif fact.kind == "frame":
        yield FRAME_COUNTERS[fact.plane, FrameStatus(fact.what[0])], 1
    elif fact.kind == "octet":
        yield f"{fact.plane.value}_changes", 1
    elif fact.kind == "code errors":
        yield "code_violations", fact.what[0]
        yield "disparity_errors", fact.what[1]
    elif fact.kind == "block errors":
        yield from zip(_BLOCK_COUNTERS, fact.what, strict=False)
    elif fact.kind == "codeword errors":
        yield from zip(_CODEWORD_COUNTERS, fact.what, strict=False)
    elif fact.kind == "unexpected K":
        yield "unexpected_k", fact.what[0]
