"""Errors of the line code: counted by hyperframe, told as events, and those among them that raise LOS."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..arrays import I64
from ..events import CodeErrors, Event
from ..line_coding.line_octets import LineOctetBuffer, Place

__all__ = ["LineErrors"]


class LineErrors:
    """Counts what stands under the headings of the octets in `buffer`; `counters` are moved in place."""

    signal = (Place.CODE_VIOLATION, Place.DISPARITY_ERROR)
    """Headings whose errors raise LOS (CPRI clause 4.2.10: characters in error)."""

    def __init__(self, buffer: LineOctetBuffer, counters: dict[str, int]) -> None:
        self._buffer = buffer
        self._counters = counters

    def signal_errors(self, start: int, end: int) -> int:
        """Errors of octets start..end-1 that count for LOS."""
        counts = self._buffer.counts(start, end)
        return sum(counts.get(place, 0) for place in self.signal)

    def per_hyperframe(self, hyperframes: int, octets: int) -> I64:
        """As `signal_errors`, of each of the first hyperframes of so many octets, (n,)."""
        errors = np.zeros(hyperframes, np.int64)
        for place in self.signal:
            errors += self._by_hyperframe(place, hyperframes, octets)
        return errors

    def _by_hyperframe(self, place: Place, hyperframes: int, octets: int) -> I64 | int:
        positions = self._buffer.at(place)
        if not len(positions):
            return 0
        inside = positions[: np.searchsorted(positions, hyperframes * octets)]
        counts: I64 = np.bincount(inside // octets, minlength=hyperframes)
        return counts

    def damaged(self, hyperframes: int, octets: int) -> list[int]:
        """Which of the first hyperframes have anything under any heading."""
        found = [
            positions[: np.searchsorted(positions, hyperframes * octets)] // octets
            for place in Place
            if len(positions := self._buffer.at(place))
        ]
        return np.unique(np.concatenate(found)).tolist() if found else []

    def count(self, start: int, end: int, number: int | None) -> Iterator[Event]:
        """Count the errors of octets start..end-1, which belong to hyperframe `number`."""
        counts = self._buffer.counts(start, end)
        for place, count in counts.items():
            self._counters[place] += count
        violations, disparity = (counts.get(place, 0) for place in self.signal)
        if violations or disparity:
            yield CodeErrors(number, violations, disparity, self._first(self.signal, start) - start)

    def _first(self, places: tuple[Place, ...], start: int) -> int:
        """The first position from `start` on under one of these headings."""
        found = []
        for place in places:
            positions = self._buffer.at(place)
            index = int(np.searchsorted(positions, start))
            found += positions[index : index + 1].tolist()
        return int(min(found))
