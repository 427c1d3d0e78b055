"""Which times each point covers, and why it does not cover the others."""

from __future__ import annotations

from bisect import bisect_right

__all__ = ["Coverage"]

_KEPT = 4096


class Coverage:
    """The times of one point's hyperframes, and of its losses of sync."""

    def __init__(self) -> None:
        self.hyperframes = 0
        self._starts: list[int] = []
        self._ends: list[int] = []
        self.outages: list[tuple[int, int | None]] = []
        """(from, to) of each loss of sync; None: not over."""

    @property
    def end(self) -> int:
        """The time behind the last hyperframe."""
        return self._ends[-1] if self._ends else 0

    def add(self, start: int, end: int, *, lost: bool = False) -> None:
        """Hyperframes from `start` to before `end`, behind all that were added before; `lost`: no sync before it."""
        if lost and self._ends:
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

    def out_of_sync(self, start: int, end: int) -> bool:
        """Whether sync was lost at some time from `start` to before `end`."""
        return any(a < end and (b is None or b > start) for a, b in self.outages)
