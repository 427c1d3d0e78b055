"""Names for each damage on a chain the first segment on which it appears, from what each point decoded.

Each point has a tap that its decoder feeds; the taps may be fed in any order, and `result` may be asked for at any
time. Nothing here reads a source, a clock or a file, and memory stays flat.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from decoders.counters import ERROR_COUNTERS
from decoders.events import Event, Plane
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.link.decoder import HyperframeBlock, LinkDecoder

from ..links.capture_comparison import position
from ..links.damage import (
    Forwarding,
    Localised,
    LocateVerdict,
    PlaneForwarding,
    Point,
    PointCoverage,
    PointPair,
)
from ..sources.names import Segment
from ..text import counted
from .attribution import damages_of
from .drafts import Drafts
from .number_check import Stop
from .route import RouteComparison
from .routes import Route, routes_of

__all__ = ["Localisation", "PointTap"]

MOST_DAMAGES = 10_000


class PointTap:
    """Where one point's decoder hands in what it decodes: `on_block` from inside it, `receive` its events."""

    def __init__(self, owner: Localisation, index: int, point: Point) -> None:
        self.point = point
        self.source = ""
        self.warnings: tuple[str, ...] = ()
        self.decoder: LinkDecoder | None = None
        self.ended = False
        self._owner, self._index = owner, index
        self._missed = self._losses = self._breaks = 0

    def on_block(self, block: HyperframeBlock) -> None:
        """Hyperframes in sync, as LinkDecoder gives them."""
        decoder = self.decoder
        assert decoder is not None, "attach the decoder first"
        missed, losses = decoder.hyperframes_missed, decoder.losses
        breaks = decoder.breaks_of_unknown_length
        missing: int | None = missed - self._missed
        lost = losses != self._losses
        if breaks != self._breaks and not lost:
            missing = None
        self._missed, self._losses, self._breaks = missed, losses, breaks
        self._owner.add(self._index, block, missing, lost=lost)

    def receive(self, events: Sequence[Event]) -> None:
        """Events of the decoder, behind the blocks that they came with."""
        self._owner.receive(self._index, events)

    def end(self) -> None:
        """The decoder has finished, and its last events are in."""
        if not self.ended:
            self.ended = True
            self._owner.end(self._index)


@dataclass(frozen=True, slots=True)
class _Place:
    route: RouteComparison
    stop: int


class Localisation:
    """Lays the points side by side; `taps` in the order of `points`, `segments` of the site where they are known.

    All options have to be known before the first tap is fed: `attach` each point's decoder first. InputError where
    the segments are no chain or tree.
    """

    def __init__(self, points: Sequence[Point], segments: Sequence[Segment] = ()) -> None:
        self.points = tuple(points)
        self._plan: list[Route] = routes_of(points, segments)
        self.taps = [PointTap(self, index, point) for index, point in enumerate(points)]
        self._places: list[list[_Place]] = [[] for _ in points]
        self._routes: list[RouteComparison] = []
        self._lock = threading.RLock()

    def attach(self, index: int, decoder: LinkDecoder, source: str = "") -> PointTap:
        """The tap of a point, for the decoder whose `on_block` it becomes."""
        tap = self.taps[index]
        tap.decoder, tap.source = decoder, source
        return tap

    def _ready(self) -> None:
        if self._routes:
            return
        for route in self._plan:
            stops = []
            for at, index in route.stops:
                decoder = self.taps[index].decoder
                assert decoder is not None, "attach every decoder first"
                stops.append(Stop(self.points[index], at, decoder.option))
            comparison = RouteComparison(route.segments, stops, away=route.away)
            self._routes.append(comparison)
            for stop, (_, index) in enumerate(route.stops):
                self._places[index].append(_Place(comparison, stop))

    # --- input --------------------------------------------------------------------------------------------

    def add(self, index: int, block: HyperframeBlock, missing: int | None, *, lost: bool) -> None:
        """Hyperframes of a point, from its tap."""
        with self._lock:
            self._ready()
            octets = block.octets.copy()
            for place in self._places[index]:
                place.route.add(place.stop, octets, missing, lost=lost)

    def receive(self, index: int, events: Sequence[Event]) -> None:
        """Events of a point, from its tap; what all points have passed is compared."""
        with self._lock:
            self._ready()
            for place in self._places[index]:
                place.route.receive(place.stop, events)
                self._set_channels(index, place)
                place.route.work()

    def end(self, index: int) -> None:
        """A point has no more, from its tap."""
        with self._lock:
            self._ready()
            for place in self._places[index]:
                place.route.end(place.stop)
                place.route.work()

    def _set_channels(self, index: int, place: _Place) -> None:
        decoder = self.taps[index].decoder
        if decoder is None:
            return
        option, planes = decoder.option, decoder.planes
        octets = option.hdlc_octets(planes.rate.accepted or 0) or 0
        place.route.frames.set_channel(place.stop, Plane.HDLC, octets)
        pointer = planes.pointer.accepted or 0
        place.route.frames.set_channel(
            place.stop, Plane.ETHERNET, option.ethernet_octets(pointer) if pointer else 0
        )

    def behind(self) -> int | None:
        """The point that should be read next, so that little waits; None when all have ended."""
        with self._lock:
            self._ready()
            for route, plan in zip(self._routes, self._plan, strict=True):
                stop = route.behind()
                if stop is not None:
                    return plan.stops[stop][1]
        return None

    # --- result -------------------------------------------------------------------------------------------

    def result(self) -> Localised:
        """All that is known by now."""
        with self._lock:
            self._ready()
            damages, drafts = damages_of(self._routes)
            coverage = tuple(self._coverage(index) for index in range(len(self.points)))
            pairs = tuple(pair for route in self._routes for pair in _pairs(route))
            notes = tuple(dict.fromkeys([*_pair_notes(pairs), *self._notes(drafts)]))
            more = sum(route.clusters.more for route in self._routes) + max(0, len(damages) - MOST_DAMAGES)
            told = tuple(damages[:MOST_DAMAGES])
            verdict = self._verdict(bool(told), pairs, coverage)
            return Localised(coverage, pairs, told, notes, tuple(self._limits(pairs)), verdict, more)

    def _verdict(
        self, damaged: bool, pairs: Sequence[PointPair], coverage: Sequence[PointCoverage]
    ) -> LocateVerdict:
        if damaged:
            return LocateVerdict.DAMAGE
        apart = not pairs or any(not pair.hyperframes for pair in pairs)
        silent = any(not point.hyperframes for point in coverage)
        return LocateVerdict.INCOMPLETE if apart or silent else LocateVerdict.CLEAN

    def _coverage(self, index: int) -> PointCoverage:
        tap, place = self.taps[index], self._places[index][0]
        decoder = tap.decoder
        assert decoder is not None
        timeline = place.route.timelines[place.stop]
        form = decoder.settings.form.value
        return PointCoverage(
            point=tap.point,
            source=tap.source,
            option=decoder.option.name,
            form=form,
            hyperframes=place.route.coverage[place.stop].hyperframes,
            stretches=tuple(timeline.stretches),
            losses=decoder.losses,
            counters={name: n for name, n in decoder.counters.items() if n and name in ERROR_COUNTERS},
            number_shift=place.route.stops[place.stop].number_shift,
            jumps=timeline.jumps,
            sees_line_code=form != "octets",
            warnings=tap.warnings,
        )

    def _notes(self, drafts: Sequence[Drafts]) -> list[str]:
        notes = []
        for each in drafts:
            route = each.route
            for stop, timeline in zip(route.stops, route.timelines, strict=True):
                if stop.number_shift:
                    ahead = counted(abs(stop.number_shift), "hyperframe")
                    way = "ahead of" if stop.number_shift > 0 else "behind"
                    notes.append(
                        f"{stop.point.name}: the same data stand {ahead} {way} the BFN and HFN of the points before"
                    )
                if timeline.jumps:
                    jumps = counted(timeline.jumps, "jump")
                    notes.append(f"{stop.point.name}: {jumps} of BFN and HFN while the line data went on")
            for stop, coverage in zip(route.stops, route.coverage, strict=True):
                for time, _, skipped in coverage.gaps:
                    place = position(route.number(route.stops.index(stop), time - 1))
                    missing = counted(skipped, "hyperframe")
                    notes.append(
                        f"{stop.point.name}: {missing} missing in the capture behind {place}; damage right beside it"
                        " is not told apart"
                    )
            for at, number, by in route.numbers.moved:
                later = f"{counted(abs(by), 'hyperframe')} {'later' if by > 0 else 'earlier'} than before"
                place = position(number % NUMBER_MODULUS)
                notes.append(f"{route.stops[at].point.name}: from {place} on the data stand {later}")
            for (point, plane), count in route.frames.inserted.items():
                segment = route.stops[point].point.segment
                frames = counted(count, f"{plane.value} frame")
                notes.append(
                    f"{segment.name}: {frames} that no point before has: {segment.sender} sends its own"
                )
            for (point, plane, address), count in each.consumed.items():
                segment = route.stops[point].point.segment
                frames = counted(count, f"{plane.value} frame")
                told = f"{frames} to address {address.hex(':')} not passed on, and no other one is"
                reason = "" if count > 1 else "; whether it was lost is not distinguishable"
                notes.append(f"{segment.name}: {told}: {segment.sender} takes what is sent to it{reason}")
        return notes

    def _limits(self, pairs: Sequence[PointPair]) -> list[str]:
        limits = []
        for route in self._routes:
            first = route.stops[0].point
            if not first.sent:
                limits.append(
                    f"{first.name} is the first point of its direction: IQ data, vendor specific, Ctrl_AxC and"
                    " reserved octets that are changed there in valid characters cannot be seen"
                )
        for index, tap in enumerate(self.taps):
            if not self._coverage(index).sees_line_code:
                limits.append(
                    f"{tap.point.name}: data format octets has no line code: code errors cannot be seen"
                )
        return list(dict.fromkeys(limits))


def _pairs(route: RouteComparison) -> list[PointPair]:
    found = []
    for before, after in zip(range(len(route.stops)), range(1, len(route.stops)), strict=False):
        one, two = route.stops[before], route.stops[after]
        apart = ""
        pair = route.pairs.get((before, after))
        if one.option is not two.option:
            apart = f"option {one.option.name} before and {two.option.name} behind: octets cannot be compared"
        elif pair is None:
            apart = "no hyperframe is in both: they do not overlap by BFN and HFN, nor by what they carry"
        planes: dict[Plane, PlaneForwarding] = {} if pair is None else pair.planes()
        count = 0 if pair is None else pair.hyperframes
        if one.option is not two.option:
            count = sum(route.frames.passed.get(key, 0) for key in route.frames.passed if key[0] == after)
        shift = 0 if pair is None else pair.shift or 0
        found.append(PointPair(one.point, two.point, count, planes, shift, apart))
    return found


def _pair_notes(pairs: Sequence[PointPair]) -> list[str]:
    notes = []
    for pair in pairs:
        node = pair.before.segment.receiver
        names = f"{pair.before.name} to {pair.after.name}"
        if pair.apart:
            notes.append(f"{names}: {pair.apart}")
        if pair.iq_shift_basic_frames:
            count = counted(pair.iq_shift_basic_frames, "basic frame")
            notes.append(f"{names}: IQ data stand {count} later")
        for plane, passed in pair.planes.items():
            if passed.forwarding is Forwarding.NOT_FORWARDED:
                notes.append(f"{names}: {node} does not forward {plane.value}, or it is damaged all the time")
            elif passed.own:
                octets = counted(passed.own, f"{plane.value} octet")
                notes.append(
                    f"{names}: {node} changes {octets} of each hyperframe by itself; these are not compared"
                )
    return notes
