"""Counts that only rise, whatever becomes of the decoder that counts: a link that is read anew counts on."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["RisingCounts"]


class RisingCounts:
    """Totals of one group of counts that begin at 0 together; `receive` each time they were read.

    A group began anew where `generation` differs from the last one, or where any of its counts is lower than
    before; what it had reached by then is kept and added from then on.
    """

    def __init__(self) -> None:
        self._generation = 0
        self._before: dict[str, int] = {}
        self._last: dict[str, int] = {}

    def receive(self, counts: Mapping[str, int], generation: int = 0) -> dict[str, int]:
        """The totals with these counts."""
        anew = generation != self._generation
        if anew or any(value < self._last.get(name, 0) for name, value in counts.items()):
            for name, value in self._last.items():
                self._before[name] = self._before.get(name, 0) + value
        self._generation, self._last = generation, dict(counts)
        return {name: self._before.get(name, 0) + value for name, value in counts.items()}
