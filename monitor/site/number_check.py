"""Whether the BFN and HFN of the points of a route are right, told by what the hyperframes carry.

A point whose numbers are wrong, from the start or from some hyperframe on, is moved to where its content is that of
the points before it. So is one whose capture has whole hyperframes missing, and one behind a node that begins to
forward later than it did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64
from decoders.linerates import LineRateOption

from ..links.damage import Point
from .alignment import Alignment, Window
from .content_lock import LOCK_HYPERFRAMES, disagreements, number_offset, same_changes, signatures
from .coverage import Coverage
from .shared_time import PointTimeline

__all__ = ["NumberCheck", "Stop"]

_SUSPICIOUS_ROWS = 8
_SLOW_WORDS = [ns + 64 * xs for xs in range(4) for ns in (*range(4, 8), *range(16, 20))]
"""Ctrl_AxC and the vendor specific words that no pointer p gives to fast C&M."""
_NEAR_FIRST = sorted(set(range(-64, 65)) - {0}, key=abs)
_LEAST_SLOW = 2
_MEASURED = (32, LOCK_HYPERFRAMES, 4 * LOCK_HYPERFRAMES)


@dataclass(slots=True)
class Stop:
    """One point of a route, its place among the route's segments, and what its numbers were measured to be."""

    point: Point
    at: int
    option: LineRateOption
    locked: bool = False
    number_shift: int = 0


class NumberCheck:
    """Looks at each window before it is compared; what waits in `alignment` is moved where numbers are wrong."""

    def __init__(
        self,
        stops: Sequence[Stop],
        timelines: Sequence[PointTimeline],
        coverage: Sequence[Coverage],
        alignment: Alignment,
    ) -> None:
        self.moved: list[tuple[int, int, int]] = []
        """(stop, link number from which on, hyperframes by which its data stand later than before)."""
        self._stops = stops
        self._timelines = timelines
        self._coverage = coverage
        self._alignment = alignment
        self._basis: dict[tuple[int, int], NDArray[np.bool_]] = {}
        self._overlap_tried: set[int] = set()
        stops[0].locked = True

    def lock(self, window: Window) -> bool | None:
        """Measure the numbers of each stop against those before it, once; None while too little is there.

        False where a stop was moved by it.
        """
        waiting = self._alignment.waiting
        for after in range(1, len(self._stops)):
            if self._stops[after].locked:
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
                self._stops[after].number_shift = by
            self._stops[after].locked = by is not None or together
            if by:
                return False
        return True

    def _partner(self, after: int) -> int | None:
        option = self._stops[after].option
        for before in range(after - 1, -1, -1):
            if self._stops[before].option is option and self._alignment.waiting[before].begun:
                return before if self._stops[before].locked else None
        return None

    def _first_time(self, stop: int) -> int:
        start = self._alignment.waiting[stop].start
        return start if start is not None else 0

    def _measured(self, before: int, after: int, since: int | None = None) -> int | None:
        """The offset that the fewest hyperframes tell: what happens later may change it."""
        starts = [
            start for stop in (before, after) if (start := self._alignment.waiting[stop].start) is not None
        ]
        since = max(starts, default=0) if since is None else since
        for most in _MEASURED:
            sides = self._signed(before, after, since, most)
            found = None if sides is None else number_offset(*sides[0], *sides[1])
            if found is not None:
                return found
        sides = self._signed(before, after, -(1 << 62))
        return None if sides is None else number_offset(*sides[0], *sides[1])

    def _signed(
        self, before: int, after: int, since: int, most: int = 4 * LOCK_HYPERFRAMES
    ) -> list[tuple[I64, NDArray[np.uint64]]] | None:
        """Times and signatures of `most` hyperframes of two stops that wait from `since` on."""
        sides = []
        for stop in (before, after):
            times, signed, count = [], [], 0
            for run in self._alignment.waiting[stop].cut(since, 1 << 62):
                octets = run.octets[: most - count]
                times.append(run.time + np.arange(len(octets), dtype=np.int64))
                signed.append(signatures(octets))
                count += len(octets)
                if count >= most:
                    break
            if not times:
                return None
            sides.append((np.concatenate(times), np.concatenate(signed)))
        return sides

    def _move(self, stop: int, since: int, by: int) -> None:
        self._alignment.waiting[stop].move(since, by)
        self._timelines[stop].move(by)

    def wrong(self, window: Window) -> bool:
        """Whether a stop's numbers turned out to be wrong from some hyperframe of the window on, and were moved."""
        for after in range(1, len(self._stops)):
            before = self._partner(after)
            if before is None or not self._stops[after].locked:
                continue
            if (self._timelines[after].turns or self._timelines[before].turns) and self._spliced(
                before, after
            ):
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
            for turn in self._timelines[stop].turns:
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
        self._timelines[stop].turns.remove(turn)
        self._move(stop, max(time, self._first_time(stop)), by)
        self._timelines[stop].jumps -= 1
        self._coverage[stop].splice(time, by)

    def _spliced(self, before: int, after: int) -> bool:
        """Whether what moves says that a jump of the numbers of one of two stops was a gap of its capture."""
        for stop, sign in ((after, 1), (before, -1)):
            for turn in list(self._timelines[stop].turns):
                start = self._first_time(stop)
                if turn[0] >= start + self._alignment.size:
                    continue
                sides = self._signed(before, after, max(turn[0], start))
                if sides is None:
                    continue
                (times, one), (later_times, later) = sides
                stays = disagreements(times, one, later_times, later)
                moves = disagreements(times, one, later_times + sign * turn[1], later)
                if stays > 2 * moves + 1:
                    self._splice(stop, turn)
                    return True
                if moves > 2 * stays + 1:
                    self._timelines[stop].turns.remove(turn)
        return False


def _both(window: Window, before: int, after: int) -> I64:
    times: I64 = window.start + np.flatnonzero(window.present(before) & window.present(after))
    return times
