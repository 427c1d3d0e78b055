"""The octets of one direction in line order: those that wait, how many are done with, and where some are missing."""

from __future__ import annotations

from collections import deque

import numpy as np

from ..arrays import I64, U8
from ..line_coding.characters import CharacterReader
from ..line_coding.line_octets import LineOctetBuffer

__all__ = ["LineStream", "StreamGaps"]


class StreamGaps:
    """Places in the stream, in octets from its start, where hyperframes were not received (None: how many?)."""

    def __init__(self) -> None:
        self._gaps: deque[tuple[int, int | None]] = deque()

    def __bool__(self) -> bool:
        return bool(self._gaps)

    @property
    def first(self) -> int:
        """Place of the first one; there must be one."""
        return self._gaps[0][0]

    def add(self, at: int, hyperframes: int | None) -> None:
        if self._gaps and self._gaps[-1][0] == at:  # nothing came between: one gap
            _, before = self._gaps.pop()
            hyperframes = None if before is None or hyperframes is None else before + hyperframes
        self._gaps.append((at, hyperframes))

    def pop(self) -> int | None:
        """Hyperframes missing at the first one, which is done with."""
        return self._gaps.popleft()[1]

    def missing(self, at: I64) -> I64 | int:
        """Hyperframes missing between neighbours of the places `at` (..., n): (..., n - 1)."""
        if not self._gaps:
            return 0
        places = np.array([place for place, _ in self._gaps], np.int64)
        counts = np.array([count or 0 for _, count in self._gaps], np.int64)
        before: I64 = np.concatenate(([0], np.cumsum(counts)))[np.searchsorted(places, at, "right")]
        return before[..., 1:] - before[..., :-1]


class LineStream:
    """What a reader has given and nobody has used yet; `done` octets of the stream lie before it."""

    def __init__(self, reader: CharacterReader) -> None:
        self.reader = reader
        self.buffer = LineOctetBuffer()
        self.gaps = StreamGaps()
        self.done = 0
        self._start: tuple[int | None, int | None] = (None, None)

    @property
    def end(self) -> int:
        """Octets of the stream read so far."""
        return self.done + len(self.buffer)

    def receive(self, raw: U8) -> None:
        """Raw octets; what they say comes with `read`."""
        self.reader.feed(raw, len(self.buffer))

    def own(self) -> None:
        """The memory of what was received is the caller's again."""
        self.reader.own(len(self.buffer))
        self.buffer.own()

    def read(self) -> bool:
        """Put what is whole into the buffer; True where it comes from another alignment than before."""
        self.buffer.append(self.reader.read())
        start = (self.reader.start_octet, self.reader.start_bit)
        if start[0] is None or start == self._start:
            return False
        self._start, self.done = start, start[0]
        return True

    def drop(self, count: int) -> None:
        """The first `count` octets of the buffer are done with."""
        self.buffer.drop(count)
        self.done += count

    def realign(self, count: int) -> None:
        """The first `count` octets are done with; let the reader look for the alignment anew from there."""
        self.reader.realign(len(self.buffer) - count)
        self.done += count
        self.buffer.clear()

    def rest_octets(self) -> int:
        """Octets' time at the end of the stream that never came into the buffer."""
        return self.reader.rest_octets()
