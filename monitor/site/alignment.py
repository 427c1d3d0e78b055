"""Hyperframes of several points side by side, window by window of their common time, in flat memory.

Each point's hyperframes wait here until all points that have not ended have passed the window's end; what then lies
in the window goes out together. A point that has nothing there is absent, be it for a gap or a loss of sync.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8
from decoders.linerates import LineRateOption

from .shared_time import HyperframeRun

__all__ = ["Alignment", "Waiting", "Window"]

_WINDOW_OCTETS = 1 << 20
_WAITING_OCTETS = 96 << 20
"""A point may wait with so much for the others, then it goes on without them."""


@dataclass(slots=True, eq=False)
class Window:
    """Hyperframes from `start` to before `end`; `runs` are those of each point that lie in it, cut to it."""

    start: int
    end: int
    runs: list[list[HyperframeRun]]

    def present(self, point: int) -> NDArray[np.bool_]:
        """Whether the point has each hyperframe, bool (end - start,)."""
        there = np.zeros(self.end - self.start, np.bool_)
        for run in self.runs[point]:
            there[run.time - self.start : run.end - self.start] = True
        return there

    def octets(self, point: int, times: I64) -> U8:
        """The point's hyperframes at `times`, at which it is present and which ascend: (n, 256, 16, T/8)."""
        parts = []
        for run in self.runs[point]:
            low, high = np.searchsorted(times, (run.time, run.end)).tolist()
            if low == high:
                continue
            rows = times[low:high] - run.time
            whole = int(rows[-1]) - int(rows[0]) + 1 == len(rows)
            parts.append(run.octets[int(rows[0]) : int(rows[-1]) + 1] if whole else run.octets[rows])
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def number_at(self, point: int, time: int) -> int:
        """Link number, not reduced, of a time as it stands at a point."""
        shift = next((run.shift for run in self.runs[point] if time < run.end), None)
        return time - (shift if shift is not None else self.runs[point][-1].shift if self.runs[point] else 0)


class Waiting:
    """Hyperframes of one point that wait for the others."""

    def __init__(self) -> None:
        self.runs: deque[HyperframeRun] = deque()
        self.ended = False
        self.begun = False
        self.octets = 0

    def add(self, runs: Sequence[HyperframeRun]) -> None:
        self.runs.extend(runs)
        self.begun |= bool(runs)
        self.octets += sum(run.octets.size for run in runs)

    @property
    def start(self) -> int | None:
        return self.runs[0].time if self.runs else None

    @property
    def end(self) -> int | None:
        return self.runs[-1].end if self.runs else None

    @property
    def hyperframes(self) -> int:
        return sum(len(run.octets) for run in self.runs)

    def cut(self, start: int, end: int) -> list[HyperframeRun]:
        """What lies from `start` to before `end`."""
        found = []
        for run in self.runs:
            if run.time >= end:
                break
            low, high = max(start, run.time) - run.time, min(end, run.end) - run.time
            if low < high:
                lost, skipped = (run.lost, run.skipped) if not low else (False, 0)
                octets = run.octets[low:high]
                found.append(HyperframeRun(run.time + low, run.first + low, octets, run.shift, lost, skipped))
        return found

    def drop(self, end: int) -> None:
        """Let go of what lies before `end`."""
        while self.runs and self.runs[0].time < end:
            run = self.runs[0]
            count = min(end, run.end) - run.time
            self.octets -= run.octets[:count].size
            if count == len(run.octets):
                self.runs.popleft()
            else:
                self.runs[0] = HyperframeRun(
                    run.time + count, run.first + count, run.octets[count:], run.shift
                )

    def move(self, since: int, by: int) -> None:
        """What lies from `since` on is `by` later."""
        before = [run for run in self.cut(_LEAST, since) if run.time < since]
        after = self.cut(since, _MOST)
        moved = [replace(run, time=run.time + by, shift=run.shift + by) for run in after]
        self.runs = deque(moved)
        if before:  # nothing may lie twice
            self.drop(before[-1].end)
        self.runs.extendleft(reversed(before))
        self.octets = sum(run.octets.size for run in self.runs)


_LEAST, _MOST = -(1 << 62), 1 << 62


class Alignment:
    """What waits of each of `points` points, and the next window of it."""

    def __init__(self, option: LineRateOption, points: int) -> None:
        self.waiting = [Waiting() for _ in range(points)]
        self.size = max(32, min(256, _WINDOW_OCTETS // option.hyperframe_octets))
        self._passed = _LEAST
        self._most = max(_WAITING_OCTETS, 512 * option.hyperframe_octets)

    def behind(self) -> int | None:
        """The point that should get more: one that has nothing yet, else the one that is behind; None at the end."""
        open_points = [(i, w) for i, w in enumerate(self.waiting) if not w.ended]
        if not open_points:
            return None
        return min(open_points, key=lambda e: _LEAST if e[1].end is None else e[1].end)[0]

    def window(self) -> Window | None:
        """The next window, which stays until `pass_by`; None while points that have not ended are still behind.

        What comes too late for a window that has gone is left out.
        """
        for w in self.waiting:
            w.drop(self._passed)
        starts = [w.start for w in self.waiting if w.start is not None]
        if not starts:
            return None
        start = min(starts)
        end = start + self.size
        for w in self.waiting:
            if w.ended:
                continue
            if w.end is None or w.end < end:
                crowded = any(other.octets > self._most for other in self.waiting)
                if not crowded:
                    return None
        return Window(start, end, [w.cut(start, end) for w in self.waiting])

    def pass_by(self, window: Window) -> None:
        """The window is done with."""
        self._passed = window.end
        for w in self.waiting:
            w.drop(window.end)
