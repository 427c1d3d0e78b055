"""Points of an emulated chain as sources: `emulated:chain` is what REC-A gets, `emulated:chain/RE-1>RE-2` one other.

Sources of one chain share it: whoever comes first to the end of what there is advances it, and what the others get of
it waits for them.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..faults.segments import SegmentInjection, fault_and_segment
from ..sources.names import Segment
from ..sources.source import Chunk
from .chain import EmulatedChain

__all__ = ["ChainPointSource", "chain_sources"]

CHUNK_HYPERFRAMES = 50
_MOST_WAITING = 8
"""Chunks that a source may be ahead of the slowest of the others."""
_OTHERS_S = 0.05


class _SharedChain:
    """A chain that several threads read, each at its point; for a point that nobody reads yet the latest is kept."""

    def __init__(self, chain: EmulatedChain, points: Sequence[Segment], chunk_hyperframes: int) -> None:
        self.chain = chain
        self.chunk = chunk_hyperframes
        self._waiting: dict[Segment, deque[NDArray[np.uint16]]] = {point: deque() for point in points}
        self._read: set[Segment] = set()
        self._change = threading.Condition()

    def begin(self, point: Segment) -> None:
        with self._change:
            self._read.add(point)

    def leave(self, point: Segment) -> None:
        with self._change:
            self._waiting.pop(point, None)
            self._change.notify_all()

    def take(self, point: Segment) -> NDArray[np.uint16] | None:
        """The next symbols of a point; None once it has left."""
        with self._change:
            while True:
                mine = self._waiting.get(point)
                if mine is None:
                    return None
                if mine:
                    self._change.notify_all()
                    return mine.popleft()
                if any(len(self._waiting[p]) >= _MOST_WAITING for p in self._read & self._waiting.keys()):
                    self._change.wait(_OTHERS_S)
                else:
                    self._advance()

    def _advance(self) -> None:
        got = self.chain.step(self.chunk)
        for point, queue in self._waiting.items():
            queue.append(got[point])
            if point not in self._read and len(queue) > _MOST_WAITING:
                queue.popleft()

    def inject(self, text: str) -> SegmentInjection:
        with self._change:
            return self.chain.inject(text)


class ChainPointSource:
    """What the receiver of one point gets: symbols. A fault without a segment goes in on the point's own.

    `hyperframes_per_second` None runs as fast as it can; `limit` ends the stream after so many hyperframes.
    """

    form = LineForm.SYMBOLS.value

    def __init__(
        self,
        shared: _SharedChain,
        point: Segment,
        *,
        hyperframes_per_second: float | None = None,
        limit: int | None = None,
    ) -> None:
        self.point = point
        self.chain = shared.chain
        self.option = shared.chain.option.name
        self.warnings: list[str] = []
        self._shared = shared
        self._rate = hyperframes_per_second
        self._limit = limit
        self._closed = threading.Event()

    @property
    def description(self) -> str:
        return f"emulated: Saltmarsh chain, {self.point.receiver} from {self.point.sender}"

    def _with_segment(self, text: str) -> str:
        bare, segment = fault_and_segment(text)
        return f"{bare}{',' if ':' in bare else ':'}segment={segment or self.point.name}"

    def check_fault(self, text: str) -> None:
        """InputError for a fault that cannot be in this chain."""
        self.chain.checked(self._with_segment(text))

    def inject(self, text: str) -> SegmentInjection:
        """Put a fault in at a hyperframe as its segment's receiver counts; the one given back is this point's."""
        injection = self._shared.inject(self._with_segment(text)).seen_from(self.point)
        starts, size = self.chain.starts, self.chain.option.hyperframe_octets
        later = starts[self.point] // size - starts[injection.segment] // size
        exact = {name: by for name, by in injection.here.exact.items() if by}
        return replace(injection, hyperframe=max(0, injection.hyperframe + later), expected=exact)

    def chunks(self) -> Iterator[Chunk]:
        size = self.chain.option.hyperframe_octets
        started = time.monotonic()
        sent = 0
        self._shared.begin(self.point)
        while not self._closed.is_set() and (self._limit is None or sent < self._limit):
            symbols = self._shared.take(self.point)
            if symbols is None:
                return
            n = len(symbols) // size
            if self._limit is not None:
                n = min(n, self._limit - sent)
            data = symbols[: n * size].astype("<u2").view(np.uint8)
            yield Chunk(data, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND, 2 * sent * size)
            sent += n
            if self._rate is not None:
                self._closed.wait(max(0.0, started + sent / self._rate - time.monotonic()))
        self._shared.leave(self.point)

    def close(self) -> None:
        self._closed.set()
        self._shared.leave(self.point)


def chain_sources(
    chain: EmulatedChain,
    points: Sequence[Segment] | None = None,
    *,
    hyperframes_per_second: float | None = None,
    limit: int | None = None,
    chunk_hyperframes: int = CHUNK_HYPERFRAMES,
) -> dict[Segment, ChainPointSource]:
    """A source for each of these points of a chain, or for all. They may be read in threads of their own."""
    points = chain.points if points is None else tuple(points)
    shared = _SharedChain(chain, points, chunk_hyperframes)
    return {
        point: ChainPointSource(shared, point, hyperframes_per_second=hyperframes_per_second, limit=limit)
        for point in points
    }
