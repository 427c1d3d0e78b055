"""Where hyperframes are missing in a stream of octets: one thread notes it, another cuts what it takes there."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from ..arguments import MOST_COUNTED
from ..sources.source import UNKNOWN_GAP

__all__ = ["Gaps"]


class Gaps:
    """`add` what is missing before the octets to come, `place` it with them, `cut` the stream where it was placed."""

    def __init__(self) -> None:
        self._waiting = 0
        self._placed: deque[tuple[int, int]] = deque()  # (octet of the stream, as Chunk.gap)

    def add(self, hyperframes: int) -> None:
        """So many more hyperframes are missing, or UNKNOWN_GAP; more than MOST_COUNTED are not believed."""
        unknown = UNKNOWN_GAP in (hyperframes, self._waiting) or self._waiting + hyperframes > MOST_COUNTED
        self._waiting = UNKNOWN_GAP if unknown else self._waiting + hyperframes

    def place(self, at: int) -> None:
        """The octets to come, from `at` of the stream on, follow what is missing."""
        if self._waiting:
            self._placed.append((at, self._waiting))
            self._waiting = 0

    def take_back(self, at: int) -> None:
        """They did not come: what was placed at `at` waits again."""
        if self._placed and self._placed[-1][0] == at:
            self.add(self._placed.pop()[1])

    def cut(self, data: bytes, offset: int) -> Iterator[tuple[bytes, int]]:
        """Octets from `offset` of the stream on, in pieces, each with what is missing before it."""
        at = gap = 0
        while self._placed and self._placed[0][0] < offset + len(data):
            place, count = self._placed.popleft()
            if place > offset + at:
                yield data[at : place - offset], gap
            at, gap = place - offset, count
        yield data[at:], gap
