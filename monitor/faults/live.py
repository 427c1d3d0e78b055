"""A running board as the link that faults are put into: one source, a fresh receiver for each case.

Nothing is stopped or begun anew. Before each case the link must be clean for a while; a fault that would go on
for ever is given an end, for a board is not told to take one back. Frames that are good come and go as the board
pleases, so their counters are not held to anything; every other counter is, as on the emulated link.
"""

from __future__ import annotations

import shlex
import time
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Protocol

from decoders.alignment import SyncState
from decoders.characters import LineForm
from decoders.events import COUNTERS, FrameReceived, FrameStatus, OctetsChanged, Plane
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named
from decoders.link import LinkDecoder, LinkSettings

from ..errors import InputError, RefusedError
from ..pipeline import FaultySource
from ..sources import Chunk, Source
from .campaign import TRAFFIC, Case, CaseResult, Excerpt, conclude, frame_excerpt, stamp, unclean
from .catalogue import Expectation, Fault, parse_fault
from .declared import declare, length_for, together
from .injector import check_fault, octet_position, reach
from .kinds import Layer
from .transmission import LEAD_HYPERFRAMES, PlacedFault, Transmission, around, tail_hyperframes
from .verdict import GOOD_FRAMES, Declared, Finding, Observation, Timed, Verdict, judge, worst

__all__ = ["LiveBench", "LiveConditions", "LiveLink", "LiveSource"]

PATIENCE_S = 5.0
"""How long a board may send no line data."""
CLEAN_WITHIN = 3000
"""Hyperframes in which the link must have been clean for the lead of a case."""
TRIES = 3
"""How often a case is begun again when line data were lost on their way."""
BASELINE_HYPERFRAMES = 600
"""Four 10 ms frames: octets that change with the frame number change in them."""
_AHEAD = (64, 4096)
"""Hyperframes ahead, at first and at most, for which faults that belong together are asked."""
_AFTERWARDS = 8
_REACH = 16
_GOOD = frozenset(GOOD_FRAMES.values())
_TRAFFIC = {Plane.VENDOR: "vendor_changes", Plane.CTRL_AXC: "ctrl_axc_changes"}
"""Planes whose octets may change with what a board has to say, and their counters."""
Place = tuple[str, int, int, int]
"""Plane, Ns, Xs, Y of a control octet."""


class LiveSource(Source, FaultySource, Protocol):
    """A board: line data, faults, and how much of the line data did not come."""

    @property
    def hyperframes_missing(self) -> int: ...
    @property
    def octets_dropped(self) -> int: ...


@dataclass(frozen=True, slots=True)
class LiveConditions:
    """The board, and what its link announces. `first_hfn` is the HFN of hyperframe 0 of a case."""

    source: str
    description: str
    option: str
    form: LineForm
    pointer_p: int
    rate_code: int
    hyperframes: int | None = None
    baud: int | None = None
    first_hfn: int = 0

    @property
    def line(self) -> LineRateOption:
        return option_named(self.option)

    @property
    def fault_hyperframe(self) -> int:
        return LEAD_HYPERFRAMES

    @property
    def length(self) -> int:
        tail = self.hyperframes
        if tail is None:
            tail = tail_hyperframes(self.line, self.rate_code, self.pointer_p)
        return LEAD_HYPERFRAMES + tail

    @property
    def words(self) -> dict[str, str | int | None]:
        return {
            "source": self.source,
            "board": self.description,
            "via": "board",
            "form": self.form.value,
            "option": self.option,
            "pointer_p": self.pointer_p,
            "hdlc_rate_code": self.rate_code,
            "seed": None,
            "hyperframes": self.length,
            "fault_hyperframe": self.fault_hyperframe,
        }

    def hfn_at(self, hyperframe: int) -> int:
        return (self.first_hfn + hyperframe) % HYPERFRAMES_PER_FRAME

    def command(self, name: str, seed: int | None, *more: str) -> str:
        words = ["framefray", name, self.source, "--yes"]
        if self.baud is not None:
            words += ["--baud", str(self.baud)]
        if self.hyperframes is not None:
            words += ["--hyperframes", str(self.hyperframes)]
        return shlex.join([*words, *more])


class LiveLink:
    """The line data of a source, counted in hyperframes of its stream.

    InputError where the source ends, fails, or sends nothing for `patience_s`.
    """

    def __init__(self, source: LiveSource, *, patience_s: float = PATIENCE_S) -> None:
        self.source = source
        self.option = option_named(source.option)
        self.form = LineForm(source.form)
        self.hyperframe_octets = self.option.hyperframe_octets * (2 if self.form is LineForm.FLAGGED else 1)
        self.octets = 0
        self._patience_s = patience_s
        self._chunks: Iterator[Chunk] = source.chunks()

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe of the stream."""
        return round(self.octets / self.hyperframe_octets)

    @property
    def lost(self) -> int:
        """Grows when line data were lost on their way here."""
        return self.source.hyperframes_missing + self.source.octets_dropped

    def next(self) -> bytes:
        """What comes next, one or more octets of it."""
        until = time.monotonic() + self._patience_s
        for chunk in self._chunks:
            data = bytes(chunk.data)
            if data:
                self.octets += len(data)
                return data
            if time.monotonic() > until:
                raise InputError(
                    f"{self.source.description}: no line data for {self._patience_s:g} s",
                    hint="tell SOURCE status says what it sends",
                )
        raise InputError(f"{self.source.description}: the source has gone away")


class _Trial:
    """A fresh receiver on a running link; what it sees counts from `mark` on.

    `start` is the hyperframe of the stream with which it begins, `base_octet` the octet.
    """

    def __init__(self, link: LiveLink) -> None:
        self.link = link
        self.receiver = LinkDecoder(LinkSettings(option=link.option.name, form=link.form))
        self.start, self.base_octet = link.hyperframe, link.octets
        self.timed: list[Timed] = []
        self._marked = dict(self.receiver.counters)
        self._kept: list[bytes] = []
        self._kept_from = 0
        self._fed = 0
        self._rest = b""

    def feed(self, until: int | None = None) -> bool:
        """Take what comes next, up to hyperframe `until` of the stream; whether there is more before it."""
        data = self._rest or self.link.next()
        end = None if until is None else (until - self.start) * self.link.hyperframe_octets
        most = len(data) if end is None else max(0, end - self._fed)
        now, self._rest = data[:most], data[most:]
        self._fed += len(now)
        self._kept.append(now)
        missed = self.receiver.hyperframes_missed
        stamp(self.timed, self.receiver.receive(now), missed, self.receiver)
        return end is None or self._fed < end

    @property
    def origin(self) -> int:
        """The hyperframe of the stream that is the receiver's number 0."""
        return self.start + (self.receiver.acquired_at_hyperframe or 0)

    @property
    def first_hfn(self) -> int:
        """The right HFN of the receiver's hyperframe 0, by the last one it read."""
        last = self.receiver.hyperframes + self.receiver.hyperframes_missed - 1
        return (self.receiver.planes.last.hfn - last) % HYPERFRAMES_PER_FRAME

    def mark(self) -> None:
        """Forget what was seen so far, but for the last hyperframe's octets."""
        self._marked = dict(self.receiver.counters)
        self.timed.clear()
        last = b"".join(self._kept[-2:])[-self.link.hyperframe_octets :]
        self._kept, self._kept_from = [last], self._fed - len(last)

    def observation(self, own: Set[Place] = frozenset(), *, frames: bool = False) -> Observation:
        """What was seen since the mark, without the changes of the board's `own` octets; good frames if asked for."""
        now = self.receiver.counters
        counters = {name: now[name] - self._marked[name] for name in COUNTERS}
        if not frames:
            counters |= dict.fromkeys(_GOOD, 0)
        timed = []
        for seen in self.timed:
            event = seen.event
            if isinstance(event, OctetsChanged) and event.plane in _TRAFFIC:
                event, dropped = _beside(event, own)
                counters[_TRAFFIC[event.plane]] -= dropped
                if not len(event):
                    continue
            timed.append(Timed(seen.at, event))
        return Observation(counters, timed, self.receiver.state is SyncState.HFNSYNC)

    def changed(self) -> set[Place]:
        """Places of the planes of traffic that changed since the mark."""
        events = (seen.event for seen in self.timed)
        return {
            (event.plane, change.ns, change.xs, change.y)
            for event in events
            if isinstance(event, OctetsChanged) and event.plane in _TRAFFIC
            for change in event.changes()
        }

    def excerpts(self, placed: Sequence[PlacedFault], option: LineRateOption) -> Iterator[Excerpt]:
        """What was received where the faults were to be."""
        data, width = b"".join(self._kept), self.link.hyperframe_octets // option.hyperframe_octets
        stream = Transmission(self.link.form, (), data, 0, ())
        for place in placed:
            fault = parse_fault(place.text)
            if fault.kind.layer is Layer.CHANNEL:
                for timed in self.timed:
                    frame = timed.event
                    if (
                        isinstance(frame, FrameReceived)
                        and frame.plane == fault.kind.plane
                        and frame.status is not FrameStatus.GOOD
                    ):
                        yield replace(
                            frame_excerpt(place.text, frame.data + frame.fcs), what=f"{frame.status} frame"
                        )
                        break
                continue
            begins = (place.hyperframe - self.start) * self.link.hyperframe_octets - self._kept_from
            offset = begins // width + octet_position(fault, option)
            first, octets = around(stream, offset, _REACH)
            if octets:
                yield Excerpt(place.text, first, offset - first, tuple(octets), "octets as received")


class LiveBench:
    """A Bench on a running board; InputError where it is gone, sends no line data, or has no link in sync."""

    def __init__(
        self, source: LiveSource, name: str, *, hyperframes: int | None = None, baud: int | None = None
    ) -> None:
        self.link = LiveLink(source)
        self._source = source
        self._busy_until = 0
        self._restless: Mapping[str, str] = {}
        self._own: frozenset[Place] = frozenset()
        planes = self._clean(patience=LEAD_HYPERFRAMES)[0].receiver.planes
        if planes.pointer.accepted is None or planes.rate.accepted is None:
            raise InputError(
                f"{source.description}: no hyperframe sync within {2 * LEAD_HYPERFRAMES} hyperframes",
                hint="watch SOURCE shows what is on the link",
            )
        self.conditions = LiveConditions(
            name,
            source.description,
            source.option,
            self.link.form,
            planes.pointer.accepted,
            planes.rate.accepted,
            hyperframes,
            baud,
        )

    # ------------------------------------------------------------------------------------------ the link

    def _clean(self, patience: int = CLEAN_WITHIN) -> tuple[_Trial, Mapping[str, int]]:
        """A receiver in sync for the lead with no counter moving; or when patience ends the last, and what moved."""
        while self.link.hyperframe < self._busy_until:
            self.link.next()
        last = self.link.hyperframe + patience
        while True:
            trial = _Trial(self.link)
            stirred: dict[str, int] = {}
            while trial.receiver.hyperframes < LEAD_HYPERFRAMES and not stirred:
                trial.feed()
                counters = trial.observation(self._own).counters
                stirred = {name: by for name, by in counters.items() if by and name not in self._restless}
                if self.link.hyperframe >= last + LEAD_HYPERFRAMES:
                    break
            if not stirred or self.link.hyperframe >= last:
                trial.mark()
                return trial, stirred

    def _place(self, faults: Sequence[Fault]) -> list[PlacedFault]:
        """Ask the board for the faults, all in the same hyperframe; RefusedError where it will not."""
        ahead, most = _AHEAD
        when: int | None = None
        placed: list[PlacedFault] = []
        for fault in faults:
            while True:
                if len(faults) > 1 and fault.hyperframe is None:
                    at = self.link.hyperframe + ahead if when is None else when
                    fault = replace(fault, hyperframe=at)
                try:
                    when, text, _ = self._source.inject(fault.text)
                    break
                except RefusedError:
                    # A board may be past that already: the first of them is asked for again, later.
                    if when is not None or ahead >= most or len(faults) == 1:
                        raise
                    ahead *= 4
                    fault = replace(fault, hyperframe=None)
            placed.append(PlacedFault(replace(parse_fault(text), hyperframe=when).text, when, None))
        return placed

    # ------------------------------------------------------------------------------------------ cases

    def baseline(self) -> CaseResult:
        """The link as it is.

        Vendor specific and Ctrl_AxC octets that change are the board's own traffic. Other counters that move by
        themselves are named, and held to nothing afterwards.
        """
        self._restless, self._own = {}, frozenset()
        trial, _ = self._clean(patience=0)
        end = self.link.hyperframe + max(self.conditions.length, BASELINE_HYPERFRAMES)
        while trial.feed(end):
            pass
        self._own = frozenset(trial.changed())
        seen = trial.observation(self._own, frames=True)
        findings = tuple(unclean(seen, None))
        moved = {name: value for name, value in seen.counters.items() if value}
        self._restless = dict.fromkeys(sorted(moved.keys() - _GOOD), "moves without a fault")
        verdict = worst(findings, Verdict.CLEAN)
        return CaseResult(Case(()), None, verdict, Declared(TRAFFIC), moved, findings)

    def case(self, case: Case) -> CaseResult:
        """One case; LEFT_OUT where a fault has no place in the link, or the board does not put it in."""
        conditions = self.conditions
        faults = [parse_fault(text) for text in case.faults]
        try:
            for fault in faults:
                check_fault(fault, conditions.line, conditions.pointer_p, conditions.rate_code)
                self._check_own(fault)
        except InputError as reason:
            return _without(case, Verdict.LEFT_OUT, str(reason))
        strange: Set[Place] = frozenset()
        for _ in range(TRIES):
            lost = self.link.lost
            try:
                result, changed = self._once(case, faults)
            except RefusedError as reason:
                return _without(case, Verdict.LEFT_OUT, str(reason))
            if self.link.lost != lost:
                continue
            # A slow counter of the board shows once in a while; what a fault does shows each time.
            self._own |= strange - changed
            strange = changed - strange if not result.passed else frozenset()
            if not strange:
                return result
        if self.link.lost != lost:
            return _without(case, Verdict.UNSEEN, f"line data were lost on their way here, {TRIES} times")
        return result

    def _check_own(self, fault: Fault) -> None:
        values = fault.values
        if "ns" in values and (fault.kind.plane, values["ns"], values["xs"], values["y"]) in self._own:
            raise InputError(
                f"fault {fault.kind.name}: ns={values['ns']}, xs={values['xs']}, y={values['y']} changes by itself"
                " on this board"
            )

    def _once(self, case: Case, faults: Sequence[Fault]) -> tuple[CaseResult, set[Place]]:
        """The result, and the places beside the faults' that changed."""
        trial, stirred = self._clean()
        if stirred or trial.receiver.state is not SyncState.HFNSYNC:
            why = ", ".join(f"{name} {by:+d}" for name, by in stirred.items()) or "no hyperframe sync"
            text = f"the link was not clean for {CLEAN_WITHIN} hyperframes before the fault: {why}"
            return _without(case, Verdict.UNSYNCED, text), set()
        conditions = replace(self.conditions, first_hfn=trial.first_hfn)
        nominal = [replace(fault, hyperframe=LEAD_HYPERFRAMES) for fault in faults]
        tail = length_for(nominal, conditions) - LEAD_HYPERFRAMES
        placed = self._place([_ending(fault, tail) for fault in faults])
        first = min(place.hyperframe for place in placed)
        end = max(place.hyperframe for place in placed) + tail
        while trial.feed(end):
            pass
        origin = trial.origin
        local = [replace(parse_fault(p.text), hyperframe=p.hyperframe - origin) for p in placed]
        lasts = max((reach(fault) or 0 for fault in local), default=0)
        self._busy_until = max(end, first + lasts + _AFTERWARDS)
        declared = declare(local, conditions, end - origin)
        free = together(declared.expectation, Expectation(tolerated=self._restless, within_hyperframes=0))
        declared = replace(declared, expectation=free)
        seen = trial.observation(self._own)
        still = Observation(dict.fromkeys(COUNTERS, 0), (), True)
        findings = judge(declared, still, seen, first - origin)
        excerpts = trial.excerpts(placed, conditions.line)
        result = conclude(case, None, declared, still, seen, first - origin, findings, placed, excerpts)
        return result, trial.changed() - self._own - _places(local)


def _places(faults: Sequence[Fault]) -> set[Place]:
    """Control octets that the faults name."""
    values = ((fault.kind.plane, fault.values) for fault in faults if "ns" in fault.values)
    return {(plane, v["ns"], v["xs"], v["y"]) for plane, v in values}


def _beside(event: OctetsChanged, own: Set[Place]) -> tuple[OctetsChanged, int]:
    """The event without the changes of `own` octets, and how many those were."""
    plane = event.plane
    keep = [i for i, c in enumerate(event.changes()) if (plane, c.ns, c.xs, c.y) not in own]
    places, old, new = (
        b"".join(part[size * i : size * (i + 1)] for i in keep)
        for part, size in ((event.places, 3), (event.old, 1), (event.new, 1))
    )
    return replace(event, places=places, old=old, new=new), len(event) - len(keep)


def _ending(fault: Fault, tail: int) -> Fault:
    """A fault that goes on for ever ends after what is looked at, where it can have an end."""
    limits = {p.name: p.high for p in fault.kind.parameters}
    if reach(fault) is None and "hyperframes" in limits:
        lasts = min(tail + _AFTERWARDS, limits["hyperframes"])
        return replace(fault, values=MappingProxyType({**fault.values, "hyperframes": lasts}))
    return fault


def _without(case: Case, verdict: Verdict, text: str) -> CaseResult:
    return CaseResult(case, None, verdict, None, {}, (Finding(verdict, None, text),))
