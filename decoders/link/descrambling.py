"""Scrambling of version 2 taken off hyperframes in sync (options 5, 6, 7), with what is counted of it."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy

from ..arrays import U8
from ..events import Event, ScramblingSeedChanged, ScramblingUnreliable
from ..line_coding.scrambling import SCRAMBLED_OPTIONS, HyperframeDescrambler
from ..linerates import LineRateOption

__all__ = ["LinkDescrambler"]


class LinkDescrambler:
    """Hyperframes as on the line to plain ones; at options without scrambling they stay as they are."""

    def __init__(
        self,
        option: LineRateOption,
        counters: dict[str, int],
        part: Callable[[LineRateOption], HyperframeDescrambler],
    ) -> None:
        self._counters = counters
        self._descrambler = part(option) if option.name in SCRAMBLED_OPTIONS else None

    @property
    def seed(self) -> int | None:
        """Seed of the last hyperframe; None where it was not of version 2."""
        return self._descrambler.seed if self._descrambler is not None else None

    def ahead(self, hyperframes: U8) -> U8:
        """As `receive`, of hyperframes that will come again: nothing is counted."""
        return (
            hyperframes
            if self._descrambler is None
            else copy(self._descrambler).descramble(hyperframes).octets
        )

    def receive(self, hyperframes: U8, first: int) -> tuple[U8, list[Event]]:
        """(plain hyperframes, events) of the next ones (n, 256, 16, T/8), numbered from `first`."""
        if self._descrambler is None:
            return hyperframes, []
        before = self._descrambler.seed
        found = self._descrambler.descramble(hyperframes)
        events: list[Event] = []
        for index in found.changed.tolist():
            old = before if index == 0 else int(found.seeds[index - 1])
            events.append(ScramblingSeedChanged(first + index, int(old or 0), int(found.seeds[index])))
        for index in found.unreliable.tolist():
            events.append(ScramblingUnreliable(first + index, int(found.seeds[index])))
        self._counters["scrambling_seed_changes"] += len(found.changed)
        self._counters["scrambling_unreliable"] += len(found.unreliable)
        return found.octets, events
