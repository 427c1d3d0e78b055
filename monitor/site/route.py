"""The points of one route, decoded and laid side by side: what is compared goes in here, and signs come together.

Blocks of hyperframes and events come in as each point's decoder gives them; windows of common time go through line
checks, frame tracking and the comparison of every two points between which no other one covers the hyperframe.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence

import numpy as np

from decoders.arrays import I64, U8
from decoders.events import Alarm, AlarmCleared, AlarmRaised, Event, FrameReceived, Origin
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.frame_structure.frames import octet_address
from decoders.linerates import HYPERFRAMES_PER_FRAME

from ..links.damage import ChangedOctet
from ..sources.names import Segment
from .alignment import Alignment, Window
from .clusters import Clusters, Group, SignTime
from .content_lock import iq_shift
from .coverage import Coverage
from .forwarding import OctetDifference, PairComparison
from .frame_tracking import FrameTracking
from .line_checks import line_signs
from .number_check import NumberCheck, Stop
from .shared_time import PointTimeline, SharedTime

__all__ = ["RouteComparison"]

_SHIFTS_KEPT = 4096


class RouteComparison:
    """Compares the stops of one route; `segments` are those up to the last stop, `away`: from the REC."""

    def __init__(self, segments: Sequence[Segment], stops: Sequence[Stop], *, away: bool = True) -> None:
        self.away = away
        self.segments = tuple(segments)
        self.stops = list(stops)
        shared = SharedTime()
        self.timelines = [PointTimeline(shared) for _ in stops]
        self.coverage = [Coverage() for _ in stops]
        self.clusters = Clusters()
        self.frames = FrameTracking([stop.option for stop in stops], self.coverage)
        self.pairs: dict[tuple[int, int], PairComparison] = {}
        self.line_errors: list[set[int]] = [set() for _ in stops]
        self._alignment = Alignment(stops[0].option, len(stops))
        self._events: list[deque[Event]] = [deque() for _ in stops]
        self._shifts: list[list[tuple[int, int]]] = [[] for _ in stops]
        """(time, shift) from which on the numbers of each stop have another shift."""
        self._found_again = [-1] * len(stops)
        """The hyperframe behind each stop's last loss of sync, by its decoder's count, once LOF has been cleared."""
        self.numbers = NumberCheck(self.stops, self.timelines, self.coverage, self._alignment)

    # --- input --------------------------------------------------------------------------------------------

    def add(self, stop: int, octets: U8, missing: int | None, *, lost: bool) -> None:
        """Hyperframes of a stop, kept; `missing` and `lost` as of PointTimeline.add."""
        self.frames.slack = max((by for line in self.timelines for _, by in line.turns), default=0)
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
            locked = self.numbers.lock(window)
            if locked is None:
                return
            if not locked or self.numbers.wrong(window):
                continue  # a stop was moved: the window is another one now
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

    # --- a window -----------------------------------------------------------------------------------------------

    def _process(self, window: Window) -> None:
        for stop, runs in enumerate(window.runs):
            for run in runs:
                if not self._shifts[stop] or self._shifts[stop][-1][1] != run.shift:
                    self._shifts[stop].append((run.time, run.shift))
                    del self._shifts[stop][:-_SHIFTS_KEPT]
                self.coverage[stop].add(run.time, run.end, lost=run.lost, skipped=run.skipped)
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
            number = self.number(after, one.time)
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
        """Link number of a time as it stands at a stop."""
        shifts = self._shifts[stop]
        at = max(bisect_right(shifts, time, key=lambda entry: entry[0]) - 1, 0)
        return (time - (shifts[at][1] if shifts else 0)) % NUMBER_MODULUS

    # --- events -------------------------------------------------------------------------------------------------

    def _events_until(
        self, stop: int, end: int | None, window: Window | None
    ) -> list[tuple[int, int, FrameReceived]]:
        """Take in a stop's events of hyperframes before `end`, as its decoder counts them; the frames among them."""
        queue = self._events[stop]
        frames: list[tuple[int, int, FrameReceived]] = []
        while queue and (end is None or (queue[0].hyperframe or 0) < end):
            event = queue.popleft()
            time = self._time(stop, event, window)
            if isinstance(event, FrameReceived):
                frames.append((time, stop, event))
                continue
            self._line(stop, time, event, window)
        if end is None:
            for time, _, event in frames:
                self.frames.receive(stop, time, event)
        return frames

    def _time(self, stop: int, event: Event, window: Window | None) -> int:
        """When an event was; until sync is found again, those of a loss of sync are where it began."""
        runs, hyperframe = window.runs[stop] if window is not None else [], event.hyperframe
        for run in runs:
            if hyperframe is None or hyperframe >= run.first + len(run.octets):
                continue
            if run.lost and hyperframe == run.first and self._found_again[stop] != hyperframe:
                if (
                    isinstance(event, AlarmCleared)
                    and event.alarm is Alarm.LOF
                    and event.origin is Origin.LOCAL
                ):
                    self._found_again[stop] = hyperframe
                return self._lost_at(stop, run.time)
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
            at = SignTime(began, self.number(stop, began))
            cluster = self.clusters.cluster(stop, None, group, sign.plane, at)
            cluster.last = max(cluster.last, self._found_at(stop, began) if sign.outage else time)
            cluster.add(sign.plane, sign.kind, sign.count, sign.text)
            cluster.outage |= sign.outage
            if sign.key:
                self.clusters.note_key(cluster, time, sign.key)
                cluster.kinds.add(sign.key)

    def _lost_at(self, stop: int, time: int) -> int:
        """When the loss of sync began that a hyperframe at `time` ends."""
        outages = self.coverage[stop].outages
        return next((a for a, b in reversed(outages) if a <= time and (b is None or time <= b)), time)

    def _found_at(self, stop: int, time: int) -> int:
        """When sync was found again that was lost at `time`."""
        outages = self.coverage[stop].outages
        return next((b for a, b in reversed(outages) if a == time and b is not None), time)
