"""Which times each point covers, and why it does not cover the others."""

from __future__ import annotations

from bisect import bisect_right

__all__ = ["Coverage"]

_KEPT = 4096
LEAST_GAP = 3
"""A sender that begins anew may leave out a number or two; more are missing in the capture."""


class Coverage:
    """The times of one point's hyperframes, and of its losses of sync."""

    def __init__(self) -> None:
        self.hyperframes = 0
        self.short_gaps: list[tuple[int, int, int]] = []
        """The same where so few are missing that the sender may have left out their numbers."""
        self._starts: list[int] = []
        self._ends: list[int] = []
        self.outages: list[tuple[int, int | None]] = []
        """(from, to) of each loss of sync; None: not over."""
        self.gaps: list[tuple[int, int, int]] = []
        """(from, to, hyperframes) of each place where the capture itself has a piece missing."""

    @property
    def end(self) -> int:
        """The time behind the last hyperframe."""
        return self._ends[-1] if self._ends else 0

    def add(self, start: int, end: int, *, lost: bool = False, skipped: int = 0) -> None:
        """Hyperframes from `start` to before `end`, behind all that were added before; `lost`: no sync before it.

        `skipped` as of HyperframeRun.
        """
        if lost and self._ends:
            if 0 < skipped < LEAST_GAP:
                self.short_gaps = [*self.short_gaps[-_KEPT:], (self.end, start, skipped)]
            elif skipped:
                self.gaps = [*self.gaps[-_KEPT:], (self.end, start, skipped)]
            self.outages = [*self.outages[-_KEPT:], (self.end, start)]
        self.hyperframes += end - start
        if self._ends and self._ends[-1] == start:
            self._ends[-1] = end
        else:
            self._starts.append(start)
            self._ends.append(end)
            del self._starts[:-_KEPT], self._ends[:-_KEPT]

    def lose(self) -> None:
        """Sync was lost behind the last hyperframe, and not found again."""
        self.outages.append((self.end, None))

    def covers(self, start: int, end: int) -> bool:
        """Whether every hyperframe from `start` to before `end` is there."""
        at = bisect_right(self._starts, start) - 1
        return at >= 0 and self._ends[at] >= end

    def touches(self, start: int, end: int) -> bool:
        """Whether any hyperframe from `start` to before `end` is there."""
        at = bisect_right(self._starts, end - 1) - 1
        return at >= 0 and self._ends[at] > start

    def splice(self, time: int, hyperframes: int) -> None:
        """The capture has so many hyperframes missing before `time`, and line data go on without a loss of sync."""
        self.gaps = [*self.gaps[-_KEPT:], (time, time + hyperframes, hyperframes)]

    def gap_near(self, start: int, end: int) -> tuple[int, int, int] | None:
        """The gap of the capture that touches the times from `start` to `end`."""
        return next((gap for gap in self.gaps if gap[0] <= end and gap[1] >= start), None)
