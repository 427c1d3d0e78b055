"""Errors of the line code: counted by hyperframe, told as events, and those among them that raise LOS."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from ..arrays import I64
from ..events import BlockErrors, CodeErrors, CodewordErrors, Event
from ..line_coding.line_octets import LineOctetBuffer, Place
from .block_sync_places import BlockPlaces
from .settings import BlockLosRule

__all__ = ["BlockLineErrors", "LineErrors"]


class LineErrors:
    """Counts what stands under the headings of the octets in `buffer`; `counters` are moved in place."""

    signal: tuple[Place, ...] = (Place.CODE_VIOLATION, Place.DISPARITY_ERROR)
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

    def count(self, start: int, end: int, number: int | None, *, in_sync: bool = False) -> Iterator[Event]:
        """Count the errors of octets start..end-1, which belong to hyperframe `number`; in sync it begins there."""
        counts = self._buffer.counts(start, end)
        for place, count in counts.items():
            self._counters[place] += count
        violations, disparity = (counts.get(place, 0) for place in self.signal)
        if violations or disparity:
            yield CodeErrors(number, violations, disparity, self._first(self.signal, start) - start)

    def _first(self, places: Iterable[Place], start: int) -> int:
        """The first position from `start` on under one of these headings."""
        found = []
        for place in places:
            positions = self._buffer.at(place)
            index = int(np.searchsorted(positions, start))
            found += positions[index : index + 1].tolist()
        return int(min(found))


_BLOCK_PLACES = (Place.HEADER_ERROR, Place.UNEXPECTED_TYPE, Place.LOCK_LOST)
_CODEWORD_PLACES = (
    Place.CODEWORD_CORRECTED, Place.SYMBOL_CORRECTED, Place.CODEWORD_UNCORRECTED, Place.FEC_LOCK_LOST,
)  # fmt: skip


class BlockLineErrors(LineErrors):
    """64B/66B: bad headers, control blocks of other types, block lock, RS-FEC codewords.

    What `rule` says raises LOS; a hyperframe without a bad header clears it. In sync the type of the two blocks of
    the sync word is not judged: there a wrong one is a missed sync word.
    """

    signal = (Place.HEADER_ERROR,)

    def __init__(
        self,
        buffer: LineOctetBuffer,
        counters: dict[str, int],
        places: BlockPlaces,
        rule: BlockLosRule,
        threshold: int,
    ) -> None:
        super().__init__(buffer, counters)
        self._places = places
        self._rule = rule
        self._threshold = threshold

    def signal_errors(self, start: int, end: int) -> int:
        counts = self._buffer.counts(start, end)
        headers, losses = (np.array([counts.get(p, 0)]) for p in (Place.HEADER_ERROR, Place.LOCK_LOST))
        return int(self._by_rule(headers, losses)[0])

    def per_hyperframe(self, hyperframes: int, octets: int) -> I64:
        headers = super().per_hyperframe(hyperframes, octets)
        losses = np.zeros(hyperframes, np.int64) + self._by_hyperframe(Place.LOCK_LOST, hyperframes, octets)
        return self._by_rule(headers, losses)

    def _by_rule(self, headers: I64, losses: I64) -> I64:
        """Errors that count for LOS; as many as raise it where lock was lost and the rule asks for lock."""
        if self._rule is BlockLosRule.HEADER_COUNT:
            return headers
        most = self._threshold - 1 if self._rule is BlockLosRule.BLOCK_LOCK else int(headers.max(initial=0))
        return np.where(losses > 0, self._threshold, np.minimum(headers, most))

    def count(self, start: int, end: int, number: int | None, *, in_sync: bool = False) -> Iterator[Event]:
        counts = self._buffer.counts(start, end)
        firsts = {place: self._first((place,), start) for place in counts}
        if in_sync and Place.UNEXPECTED_TYPE in counts:
            types = self._buffer.at(Place.UNEXPECTED_TYPE)
            types = types[np.searchsorted(types, start) : np.searchsorted(types, end)]
            judged = types[~np.isin(types - start, self._places.sync_blocks())]
            counts[Place.UNEXPECTED_TYPE] = len(judged)
            firsts[Place.UNEXPECTED_TYPE] = int(judged[0]) if len(judged) else end
        for place, count in counts.items():
            self._counters[place] += count
        headers, types_seen, locks = (counts.get(place, 0) for place in _BLOCK_PLACES)
        if headers or types_seen or locks:
            first = min(firsts[place] for place in _BLOCK_PLACES if counts.get(place)) - start
            yield BlockErrors(number, headers, types_seen, locks, first)
        fixed, symbols, bad, losses = (counts.get(place, 0) for place in _CODEWORD_PLACES)
        if fixed or bad or losses:
            first = min(firsts[place] for place in _CODEWORD_PLACES if counts.get(place)) - start
            yield CodewordErrors(number, fixed, symbols, bad, losses, first)
