"""The points of one route, decoded and laid side by side: what is compared goes in here, and signs come together.

Blocks of hyperframes and events come in as each point's decoder gives them; windows of common time go through line
checks, frame tracking and the comparison of every two points between which no other one covers the hyperframe.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8
from decoders.events import Alarm, AlarmCleared, AlarmRaised, Event, FrameReceived, Origin
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.frame_structure.frames import octet_address
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption

from ..links.damage import ChangedOctet, Point
from ..sources.names import Segment
from .alignment import Alignment, Window
from .clusters import Clusters, Group, SignTime
from .content_lock import LOCK_HYPERFRAMES, iq_shift, number_offset, same_changes, signatures
from .coverage import Coverage
from .forwarding import OctetDifference, PairComparison
from .frame_tracking import FrameTracking
from .line_checks import line_signs
from .shared_time import SharedTime, Timeline

__all__ = ["RouteComparison", "Stop"]

_SUSPICIOUS_ROWS = 8
_SHIFTS_KEPT = 4096
_SLOW_WORDS = [ns + 64 * xs for xs in range(4) for ns in (*range(4, 8), *range(16, 20))]
"""Ctrl_AxC and the vendor specific words that no pointer p gives to fast C&M."""
_NEAR_FIRST = sorted(set(range(-64, 65)) - {0}, key=abs)
_LEAST_SLOW = 2


@dataclass(slots=True)
class Stop:
    """One point of a route, its place among the route's segments, and what its numbers were measured to be."""

    point: Point
    at: int
    option: LineRateOption
    locked: bool = False
    number_shift: int = 0


class RouteComparison:
    """Compares the stops of one route; `segments` are those up to the last stop, `away`: from the REC."""

    def __init__(self, segments: Sequence[Segment], stops: Sequence[Stop], *, away: bool = True) -> None:
        self.away = away
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
        self._shifts: list[list[tuple[int, int]]] = [[] for _ in stops]
        """(time, shift) from which on the numbers of each stop have another shift."""
        self.moved: list[tuple[int, int, int]] = []
        """(stop, link number from which on, hyperframes by which its data stand later than before)."""
        self._found_again = [-1] * len(stops)
        """The hyperframe behind each stop's last loss of sync, by its decoder's count, once LOF has been cleared."""
        self._overlap_tried: set[int] = set()
        self.stops[0].locked = True

    # --- input --------------------------------------------------------------------------------------------

    def add(self, stop: int, octets: U8, missing: int | None, *, lost: bool) -> None:
        """Hyperframes of a stop, kept; `missing` and `lost` as of Timeline.add."""
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
            locked = self._lock(window)
            if locked is None:
                return
            if not locked or self._numbers_wrong(window):
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

    # --- are the numbers right ----------------------------------------------------------------------------------

    def _lock(self, window: Window) -> bool | None:
        """Measure the numbers of each stop against those before it, once; None while too little is there.

        False where a stop was moved by it.
        """
        waiting = self._alignment.waiting
        for after in range(1, len(self.stops)):
            if self.stops[after].locked:
                continue
            before = self._partner(after)
            if before is None:
                continue
            for side in (before, after):
                if waiting[side].hyperframes < LOCK_HYPERFRAMES and not waiting[side].ended:
                    return None
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
                return False
        return True

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
        sides = self._signed(before, after, -(1 << 62) if since is None else since)
        return None if sides is None else number_offset(*sides[0], *sides[1])

    def _signed(self, before: int, after: int, since: int) -> list[tuple[I64, NDArray[np.uint64]]] | None:
        """Times and signatures of what waits of two stops from `since` on, as far as it takes to tell."""
        sides = []
        for stop in (before, after):
            times, signed, count = [], [], 0
            for run in self._alignment.waiting[stop].cut(since, 1 << 62):
                times.append(run.time + np.arange(len(run.octets), dtype=np.int64))
                signed.append(signatures(run.octets))
                count += len(run.octets)
                if count > 4 * LOCK_HYPERFRAMES:
                    break
            if not times:
                return None
            sides.append((np.concatenate(times), np.concatenate(signed)))
        return sides

    def _move(self, stop: int, since: int, by: int) -> None:
        self._alignment.waiting[stop].move(since, by)
        self.timelines[stop].move(by)

    def _numbers_wrong(self, window: Window) -> bool:
        """Whether a stop's numbers turned out to be wrong from some hyperframe of the window on, and were moved."""
        for after in range(1, len(self.stops)):
            before = self._partner(after)
            if before is None or not self.stops[after].locked:
                continue
            if (self.timelines[after].turns or self.timelines[before].turns) and self._spliced(before, after):
                return True
            times = _both(window, before, after)
            if len(times) < _SUSPICIOUS_ROWS:
                continue
            if self._slipped(window, before, after, times):
                return True
            wrong = self._first_wrong(window, before, after, times)
            if wrong is not None and self._moved(window, before, after, wrong):
                return True
        return False

    def _first_wrong(self, window: Window, before: int, after: int, times: I64) -> int | None:
        """The time from which on nothing that moves agrees any more, up to the window's end."""
        last = times[-_SUSPICIOUS_ROWS:]
        one = signatures(window.octets(before, last))
        two = signatures(window.octets(after, last))
        moves = (one[1:] != one[:-1]).any(axis=0) | (two[1:] != two[:-1]).any(axis=0)
        same = one == two
        basis = self._basis.get((before, after))
        if basis is None:
            begin = times[:_SUSPICIOUS_ROWS]
            here, there = (signatures(window.octets(stop, begin)) for stop in (before, after))
            basis = (here[1:] != here[:-1]).any(axis=0) & (here == there).all(axis=0)
            self._basis[before, after] = basis
        told = basis & moves
        if not told.any() or same[:, told].any():
            self._basis[before, after] = basis | (moves & same.all(axis=0))
            return None
        one = signatures(window.octets(before, times))[:, told]
        two = signatures(window.octets(after, times))[:, told]
        agree = np.flatnonzero((one == two).any(axis=1))
        return int(times[agree[-1] + 1]) if len(agree) else int(times[0])

    def _moved(self, window: Window, before: int, after: int, since: int) -> bool:
        for stop in (after, before):
            for turn in self.timelines[stop].turns:
                if abs(turn[0] - since) <= 2:
                    self._splice(stop, turn)
                    return True
        by = self._measured(before, after, since)
        if not by:
            return False
        number = window.number_at(after, since)
        self._move(after, since, -by)
        self.moved.append((after, number, by))
        return True

    def _slipped(self, window: Window, before: int, after: int, times: I64) -> bool:
        """Whether slow changes of control words come some hyperframes later than they did, and nothing else moves."""
        one, two = (window.octets(stop, times)[:, _SLOW_WORDS, 0] for stop in (before, after))
        rows = np.flatnonzero((one != two).any(axis=(1, 2)))
        if not len(rows):
            return False
        sides = self._signed(before, after, int(times[0]))
        if sides is None or same_changes(*sides[0], *sides[1]):
            return False
        (here, signed), (there, later) = sides
        best = max(_NEAR_FIRST, key=lambda by: same_changes(here, signed, there - by, later))
        if same_changes(here, signed, there - best, later) < _LEAST_SLOW:
            return False
        since = int(times[rows[0]])
        self.moved.append((after, window.number_at(after, since), best))
        self._move(after, since, -best)
        return True

    def _splice(self, stop: int, turn: tuple[int, int]) -> None:
        """The numbers were right: the capture of a stop has hyperframes missing where they jumped."""
        time, by = turn
        self.timelines[stop].turns.remove(turn)
        self._move(stop, max(time, self._first_time(stop)), by)
        self.timelines[stop].jumps -= 1
        self.coverage[stop].splice(time, by)

    def _spliced(self, before: int, after: int) -> bool:
        """Whether what moves says that a jump of the numbers of one of two stops was a gap of its capture."""
        for stop, sign in ((after, 1), (before, -1)):
            for turn in list(self.timelines[stop].turns):
                start = self._first_time(stop)
                if turn[0] >= start + self._alignment.size:
                    continue
                sides = self._signed(before, after, max(turn[0], start))
                if sides is None:
                    continue
                (times, one), (later_times, later) = sides
                stays = same_changes(times, one, later_times, later)
                moves = same_changes(times, one, later_times + sign * turn[1], later)
                if moves > stays:
                    self._splice(stop, turn)
                    return True
                if stays > moves:
                    self.timelines[stop].turns.remove(turn)
        return False

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


def _both(window: Window, before: int, after: int) -> I64:
    times: I64 = window.start + np.flatnonzero(window.present(before) & window.present(after))
    return times
