"""The points of one route, decoded and laid side by side: what is compared goes in here, and signs come together.

Blocks of hyperframes and events come in as each point's decoder gives them; windows of common time go through line
checks, frame tracking and the comparison of every two points between which no other one covers the hyperframe.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8
from decoders.events import AlarmRaised, Event, FrameReceived, Origin
from decoders.frame_structure.frames import octet_address
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption

from ..links.damage import ChangedOctet, Point
from ..sources.names import Segment
from .alignment import Alignment, Window
from .clusters import Clusters, Group, SignTime
from .content_lock import LOCK_HYPERFRAMES, control_signatures, iq_shift, number_offset
from .coverage import Coverage
from .forwarding import OctetDifference, PairComparison
from .frame_tracking import FrameTracking
from .line_checks import line_signs
from .shared_time import SharedTime, Timeline

__all__ = ["RouteComparison", "Stop"]

_SUSPICIOUS_ROWS = 8


@dataclass(slots=True)
class Stop:
    """One point of a route, its place among the route's segments, and what its numbers were measured to be."""

    point: Point
    at: int
    option: LineRateOption
    locked: bool = False
    number_shift: int = 0


class RouteComparison:
    """Compares the stops of one route; `segments` are those from the first stop to the last."""

    def __init__(self, segments: Sequence[Segment], stops: Sequence[Stop]) -> None:
        self.segments = tuple(segments)
        self.stops = list(stops)
        shared = SharedTime()
        self.timelines = [Timeline(shared) for _ in stops]
        self.coverage = [Coverage() for _ in stops]
        self.clusters = Clusters()
        self.frames = FrameTracking([stop.option for stop in stops], self.coverage)
        self.pairs: dict[tuple[int, int], PairComparison] = {}
        self.line_errors: list[set[int]] = [set() for _ in stops]
        self._alignment = Alignment(stops[0].option, len(stops))
        self._events: list[deque[Event]] = [deque() for _ in stops]
        self._basis: dict[tuple[int, int], NDArray[np.bool_]] = {}
        self._last_times = [0] * len(stops)
        self._last_numbers = [0] * len(stops)
        self._overlap_tried: set[int] = set()
        self.stops[0].locked = True

    # --- input --------------------------------------------------------------------------------------------

    def add(self, stop: int, octets: U8, missing: int | None, *, lost: bool) -> None:
        """Hyperframes of a stop, kept; `missing` and `lost` as of Timeline.add."""
        self._alignment.waiting[stop].add(self.timelines[stop].add(octets, missing, lost=lost))

    def receive(self, stop: int, events: Sequence[Event]) -> None:
        """Events of a stop's decoder, behind its hyperframes."""
        self._events[stop].extend(events)

    def end(self, stop: int) -> None:
        """A stop has no more."""
        waiting = self._alignment.waiting[stop]
        waiting.add(self.timelines[stop].add(None))
        waiting.ended = True

    def behind(self) -> int | None:
        """The stop that should get more, so that little waits; None when all have ended."""
        return self._alignment.behind()

    def work(self) -> None:
        """Compare what all stops have passed."""
        while (window := self._alignment.window()) is not None:
            if not self._lock(window):
                return
            if self._numbers_wrong(window):
                continue
            self._process(window)
            self._alignment.pass_by(window)
        if all(waiting.ended for waiting in self._alignment.waiting):
            self._finish()

    def _finish(self) -> None:
        for stop, events in enumerate(self._events):
            if any(isinstance(e, AlarmRaised) and e.origin is Origin.LOCAL for e in events):
                self.coverage[stop].lose()
            self._events_until(stop, None, None)
        self.frames.pass_by(None)
        for (before, after), pair in self.pairs.items():
            self._take(before, after, pair.finish(), None)

    # --- are the numbers right ----------------------------------------------------------------------------------

    def _lock(self, window: Window) -> bool:
        """Measure the numbers of each stop against those before it, once; False while too little is there."""
        waiting = self._alignment.waiting
        for after in range(1, len(self.stops)):
            if self.stops[after].locked:
                continue
            before = self._partner(after)
            if before is None:
                continue
            for side in (before, after):
                if waiting[side].hyperframes < LOCK_HYPERFRAMES and not waiting[side].ended:
                    return False
            together = bool((window.present(before) & window.present(after)).any())
            if after in self._overlap_tried and not together:
                continue
            self._overlap_tried.add(after)
            by = self._measured(before, after)
            if by:
                self._move(after, self._first_time(after), -by)
                self.stops[after].number_shift = by
            self.stops[after].locked = by is not None or together
            if by:
                return self._lock_again()
        return True

    def _lock_again(self) -> bool:
        window = self._alignment.window()
        return window is not None and self._lock(window)

    def _partner(self, after: int) -> int | None:
        option = self.stops[after].option
        for before in range(after - 1, -1, -1):
            if self.stops[before].option is option and self._alignment.waiting[before].begun:
                return before if self.stops[before].locked else None
        return None

    def _first_time(self, stop: int) -> int:
        start = self._alignment.waiting[stop].start
        return start if start is not None else 0

    def _measured(self, before: int, after: int, since: int | None = None) -> int | None:
        sides = []
        for stop in (before, after):
            runs = self._alignment.waiting[stop].cut(-(1 << 62) if since is None else since, 1 << 62)
            runs, kept = runs[:64], []
            count = 0
            for run in runs:
                kept.append((run.time + np.arange(len(run.octets)), control_signatures(run.octets)))
                count += len(run.octets)
                if count > 4 * LOCK_HYPERFRAMES:
                    break
            if not kept:
                return None
            sides.append([np.concatenate(column) for column in zip(*kept, strict=True)])
        found = number_offset(sides[0][0], sides[0][1], sides[1][0], sides[1][1])
        return None if found is None else found.hyperframes

    def _move(self, stop: int, since: int, by: int) -> None:
        self._alignment.waiting[stop].move(since, by)
        self.timelines[stop].move(by)

    def _numbers_wrong(self, window: Window) -> bool:
        """Whether a stop's numbers turned out to be wrong from some hyperframe of the window on, and were moved."""
        for after in range(1, len(self.stops)):
            before = self._partner(after)
            if before is None or not self.stops[after].locked:
                continue
            times = _both(window, before, after)
            if len(times) < _SUSPICIOUS_ROWS:
                continue
            wrong = self._first_wrong(window, before, after, times)
            if wrong is not None and self._moved(before, after, wrong):
                return True
        return False

    def _first_wrong(self, window: Window, before: int, after: int, times: I64) -> int | None:
        """The time from which on nothing that moves agrees any more, up to the window's end."""
        last = times[-_SUSPICIOUS_ROWS:]
        one = control_signatures(window.octets(before, last))
        two = control_signatures(window.octets(after, last))
        moves = (one[1:] != one[:-1]).any(axis=0) | (two[1:] != two[:-1]).any(axis=0)
        same = one == two
        basis = self._basis.get((before, after))
        if basis is None:
            basis = np.zeros(one.shape[1], np.bool_)
        told = basis & moves
        if not told.any() or same[:, told].any():
            self._basis[before, after] = basis | (moves & same.all(axis=0))
            return None
        one = control_signatures(window.octets(before, times))[:, told]
        two = control_signatures(window.octets(after, times))[:, told]
        agree = np.flatnonzero((one == two).any(axis=1))
        return int(times[agree[-1] + 1]) if len(agree) else int(times[0])

    def _moved(self, before: int, after: int, since: int) -> bool:
        for stop in (after, before):
            turns = [t for t in self.timelines[stop].turns if abs(t[0] - since) <= 2]
            if turns:
                self.timelines[stop].turns.remove(turns[-1])
                start = turns[-1][0]
                self._move(stop, start, turns[-1][1])
                return True
        by = self._measured(before, after, since)
        if not by:
            return False
        self._move(after, since, -by)
        self.timelines[after].jumps += 1
        return True

    # --- a window -----------------------------------------------------------------------------------------------

    def _process(self, window: Window) -> None:
        for stop, runs in enumerate(window.runs):
            for run in runs:
                self.coverage[stop].add(run.time, run.end, lost=run.lost)
        frames: list[tuple[int, int, FrameReceived]] = []
        for stop, runs in enumerate(window.runs):
            self.line_errors[stop] = {t for t in self.line_errors[stop] if t >= window.start - 64}
            if runs:
                frames += self._events_until(stop, runs[-1].first + len(runs[-1].octets), window)
        for time, stop, event in sorted(frames, key=lambda frame: frame[:2]):
            self.frames.receive(stop, time, event)
        present = [window.present(stop) for stop in range(len(self.stops))]
        for before in range(len(self.stops)):
            between = np.zeros(window.end - window.start, np.bool_)
            for after in range(before + 1, len(self.stops)):
                both = present[before] & present[after] & ~between
                between |= present[after]
                if both.any() and self.stops[before].option is self.stops[after].option:
                    self._compare(window, before, after, window.start + np.flatnonzero(both))
        self.frames.pass_by(window.start)

    def _compare(self, window: Window, before: int, after: int, times: I64) -> None:
        one, two = window.octets(before, times), window.octets(after, times)
        pair = self.pairs.get((before, after))
        if pair is None:
            pair = PairComparison(self.stops[before].option, iq_shift(one, two))
            self.pairs[before, after] = pair
        self._take(before, after, pair.compare(times, one, two), window)

    def _take(self, before: int, after: int, found: Sequence[OctetDifference], window: Window | None) -> None:
        option = self.stops[after].option
        for one in found:
            number = self._number(after, one.time, window)
            bfn, hfn = divmod(number, HYPERFRAMES_PER_FRAME)
            places = [
                ChangedOctet(bfn, hfn, *octet_address(option, index), old, new)
                for index, old, new in one.places
            ]
            at = SignTime(one.time, number)
            cluster = self.clusters.cluster(after, before, Group.OCTETS, one.plane, at)
            cluster.add(one.plane, "octets", one.octets, f"{one.bits} bits", places)
            cluster.old_zeros &= one.old_zeros and one.time in self.line_errors[before]
            cluster.places.update(index for index, _, _ in one.places)
            self.clusters.note_key(cluster, one.time, one.key)

    def number(self, stop: int, time: int) -> int:
        """Link number of a time as it stands at a stop, by the last of its numbers."""
        return self._number(stop, time, None)

    def _number(self, stop: int, time: int, window: Window | None) -> int:
        if window is not None and window.runs[stop]:
            self._last_times[stop], self._last_numbers[stop] = time, window.number_at(stop, time)
        return (self._last_numbers[stop] + time - self._last_times[stop]) % (4096 * HYPERFRAMES_PER_FRAME)

    # --- events -------------------------------------------------------------------------------------------------

    def _events_until(
        self, stop: int, end: int | None, window: Window | None
    ) -> list[tuple[int, int, FrameReceived]]:
        """Take in a stop's events of hyperframes before `end`, as its decoder counts them; the frames among them."""
        queue = self._events[stop]
        frames: list[tuple[int, int, FrameReceived]] = []
        while queue and (end is None or (queue[0].hyperframe or 0) < end):
            event = queue.popleft()
            time = self._time(stop, event.hyperframe, window)
            if isinstance(event, FrameReceived):
                frames.append((time, stop, event))
                continue
            self._line(stop, time, event, window)
        if end is None:
            for time, _, event in frames:
                self.frames.receive(stop, time, event)
        return frames

    def _time(self, stop: int, hyperframe: int | None, window: Window | None) -> int:
        runs = window.runs[stop] if window is not None else []
        for run in runs:
            if hyperframe is not None and hyperframe < run.first + len(run.octets):
                return run.time + max(hyperframe - run.first, 0)
        return self.coverage[stop].end

    def _line(self, stop: int, time: int, event: Event, window: Window | None) -> None:
        for sign in line_signs(event):
            group = Group.LINE
            if sign.plane.value == "l1":
                group = Group.ALARMS if sign.kind.startswith("remote_") else Group.SETTINGS
            else:
                self.line_errors[stop].add(time)
            began = self._lost_at(stop, time) if sign.outage else time
            at = SignTime(began, self._number(stop, began, window))
            cluster = self.clusters.cluster(stop, None, group, sign.plane, at)
            cluster.last = max(cluster.last, time)
            cluster.add(sign.plane, sign.kind, sign.count, sign.text)
            cluster.outage |= sign.outage
            if sign.key:
                self.clusters.note_key(cluster, time, sign.key)
                cluster.kinds.add(sign.key)

    def _lost_at(self, stop: int, time: int) -> int:
        """When the loss of sync began that a hyperframe at `time` ends."""
        outages = self.coverage[stop].outages
        return next((a for a, b in reversed(outages) if a <= time and (b is None or time <= b)), time)


def _both(window: Window, before: int, after: int) -> I64:
    times: I64 = window.start + np.flatnonzero(window.present(before) & window.present(after))
    return times
