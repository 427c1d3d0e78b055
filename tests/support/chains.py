"""Chains for tests: a decoder at every point."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.chain import EmulatedChain
from monitor.sources.names import Segment

__all__ = ["WatchedChain"]


class WatchedChain:
    """A chain, and what a decoder at each point says of it."""

    def __init__(self, chain: EmulatedChain) -> None:
        self.chain = chain
        settings = LinkSettings(option=chain.option.name, form=LineForm.SYMBOLS)
        self.decoders = {point: LinkDecoder(settings) for point in chain.points}
        self.events: dict[Segment, list[Event]] = {point: [] for point in chain.points}

    def run(self, *steps: int) -> WatchedChain:
        for step in steps:
            for point, symbols in self.chain.step(step).items():
                received = np.ascontiguousarray(symbols).astype("<u2").view(np.uint8)
                self.events[point] += self.decoders[point].receive(received)
        return self

    def moved(self, point: str, but: Iterable[str] = ("hdlc_frames", "ethernet_frames")) -> dict[str, int]:
        """Counters at a point that are not 0."""
        counters = self.decoders[Segment.parse(point)].counters
        return {name: value for name, value in counters.items() if value and name not in set(but)}
