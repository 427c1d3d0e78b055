"""Places the hyperframes of several points on one count of time, the same for all points of a route.

BFN and HFN (CPRI clause 4.2.7.3) are the same along a chain, so a hyperframe's time is its link number, counted on
without end where the 12 bits of BFN begin anew. Line data that go on without a loss cannot skip a hyperframe: where
the numbers jump in them, the time counts on and the jump is kept as a shift of that point's numbers. Behind a loss of
sync, or a gap, the number decides again. Captures that begin more than 20 s apart cannot be told from others, for
BFN counts 41 s.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.arrays import I64, U8
from decoders.error_performance.pairing import NumberRange, StreamNumbering, lengthen
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS

__all__ = ["HyperframeRun", "PointTimeline", "SharedTime"]

_HALF = NUMBER_MODULUS // 2
_GAP, _LOST = 1, 2
_MOST_SPLICED = 4000


@dataclass(slots=True)
class SharedTime:
    """What the timelines of a route have in common: where time begins, and all shifts of numbers against it."""

    origin: int | None = None
    shifts: list[int] = field(default_factory=lambda: [0])

    def add(self, shift: int) -> None:
        if shift not in self.shifts:
            self.shifts.append(shift)
            del self.shifts[1:-15]


@dataclass(slots=True, eq=False)
class HyperframeRun:
    """Hyperframes one after the other from `time` on: octets (n, 256, 16, T/8).

    `first` is the number of the first one as the point's decoder counts them, `shift` what is to be added to its
    link number for its time; `lost`: sync was lost before it, and by its number `skipped` hyperframes more are
    missing than the line data leave room for.
    """

    time: int
    first: int
    octets: U8
    shift: int
    lost: bool = False
    skipped: int = 0

    @property
    def end(self) -> int:
        return self.time + len(self.octets)


class PointTimeline:
    """The times of one point's hyperframes, in whatever pieces they come."""

    def __init__(self, shared: SharedTime) -> None:
        self.jumps = 0
        self.shift = 0
        self.turns: list[tuple[int, int]] = []
        """The last small jumps ahead that nothing has confirmed: their time, and by how much later it would be by
        the numbers, if hyperframes were missing there."""
        self.stretches: list[NumberRange] = []
        self._shared = shared
        self._numbering = StreamNumbering()
        self._waiting: list[U8] = []
        self._places: I64 = np.zeros(0, np.int64)
        """Count of hyperframes of each that waits, with those known to be missing."""
        self._unsure: I64 = np.zeros(0, np.int64)
        self._skipped = 0
        self._count = 0
        self._first = 0
        self._last: tuple[int, int, int] | None = None
        """Time, place and number of the last hyperframe placed."""

    def add(self, octets: U8 | None, missing: int | None = 0, *, lost: bool = False) -> list[HyperframeRun]:
        """Hyperframes (n, 256, 16, T/8) that are the caller's no more, None at the end; what has its time by now.

        `missing` of them were not received before the first (None: not known how many); `lost`: sync was lost there,
        and `missing` is an estimate.
        """
        gaps: list[tuple[int, int | None]] = []
        if octets is None:
            return self._placed(None, gaps)
        if missing != 0 or lost:
            gaps.append((0, None if lost else missing))
        self._count += missing or 0
        n = len(octets)
        places = self._count + np.arange(n, dtype=np.int64)
        unsure = np.zeros(n, np.int64)
        unsure[:1] = _LOST if lost else _GAP if gaps else 0
        self._count += n
        self._waiting.append(octets)
        self._places = np.concatenate((self._places, places))
        self._unsure = np.concatenate((self._unsure, unsure))
        return self._placed(octets[:, :, :1, :1].copy(), gaps)

    def _placed(self, control: U8 | None, gaps: list[tuple[int, int | None]]) -> list[HyperframeRun]:
        runs: list[HyperframeRun] = []
        for _, numbers, broken in self._numbering.add(control, gaps):
            lengthen(self.stretches, numbers, broken=broken)
            n = len(numbers)
            places, self._places = self._places[:n], self._places[n:]
            unsure, self._unsure = self._unsure[:n], self._unsure[n:]
            ahead = (numbers - places) % NUMBER_MODULUS
            starts = np.flatnonzero((np.diff(ahead, prepend=ahead[:1]) != 0) | (unsure != 0)).tolist()
            starts = starts if starts[:1] == [0] else [0, *starts]
            for start, end in zip(starts, [*starts[1:], n], strict=True):
                if end == start:
                    continue
                place, number = int(places[start]), int(numbers[start])
                time = self._time_of(place, number, unsure=bool(unsure[start]))
                lost = int(unsure[start]) == _LOST and self._last is not None
                skipped = self._skipped if lost else 0
                for octets in self._octets(end - start):
                    runs.append(HyperframeRun(time, self._first, octets, self.shift, lost, skipped))
                    lost, skipped = False, 0
                    self._first += len(octets)
                    time += len(octets)
                self._last = (time - 1, int(places[end - 1]), int(numbers[end - 1]))
        return runs

    def _octets(self, count: int) -> list[U8]:
        taken: list[U8] = []
        while count:
            here = self._waiting[0]
            taken.append(here[:count])
            count -= len(taken[-1])
            if len(taken[-1]) == len(here):
                self._waiting.pop(0)
            else:
                self._waiting[0] = here[len(taken[-1]) :]
        return taken

    def _time_of(self, place: int, number: int, *, unsure: bool) -> int:
        self._skipped = 0
        if self._last is None:
            if self._shared.origin is None:
                self._shared.origin = number
            origin = self._shared.origin
            return origin + short_way(number - origin)
        time, last_place, last_number = self._last
        counted = time + place - last_place
        if (number - last_number - (place - last_place)) % NUMBER_MODULUS == 0:
            return counted
        if unsure:
            for shift in (self.shift, *self._shared.shifts):
                found = counted + short_way(number + shift - counted)
                if found > time:
                    self.shift = shift
                    self._skipped = found - counted
                    return found
        # The numbers jump, or go back: time counts on.
        self.jumps += 1
        before = self.shift
        self.shift = short_way(counted - number)
        self._shared.add(self.shift)
        by = short_way(before - self.shift)
        if 0 < by <= _MOST_SPLICED:
            self.turns = [*self.turns[-15:], (counted, by)]
        return counted

    def move(self, by: int) -> None:
        """From the last hyperframe placed on, times are `by` later."""
        assert self._last is not None
        self._last = (self._last[0] + by, *self._last[1:])
        self.shift = short_way(self.shift + by)
        self._shared.add(self.shift)


def short_way(difference: int) -> int:
    """A difference of link numbers, the short way round."""
    return (difference + _HALF) % NUMBER_MODULUS - _HALF
