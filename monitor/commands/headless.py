"""A source read without a screen: what a board says and a source warns of as it comes, and an end by a signal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

from ..errors import inert
from ..interrupts import Interrupts
from ..sources import Chunk, Source, TalkingSource

__all__ = ["Reading"]


class Reading:
    """Reads a source to its end, or to a signal; what it says on the way goes to standard error."""

    def __init__(self, source: Source, interrupts: Interrupts) -> None:
        self._source = source
        self._interrupts = interrupts
        self._told = self._heard = 0

    def run(self, take: Callable[[Chunk], object], chunks: Iterator[Chunk] | None = None) -> bool:
        """Give each chunk to `take`, whole, and close the source; False where a signal ended it.

        `chunks` are those of the source, where some were taken before.
        """
        try:
            self.tell()
            for chunk in chunks or self._source.chunks():
                with self._interrupts.held():
                    take(chunk)
                    self.tell()
        except KeyboardInterrupt:
            if self._interrupts.insisted:
                raise
        finally:
            self._source.close()
        return not self._interrupts.seen

    def tell(self) -> None:
        """What the board has said, and the source warned of, since the last time."""
        if isinstance(self._source, TalkingSource):
            lines, self._heard = self._source.log.since(self._heard)
            for line in (line for line in lines if not line.event):
                print(f"board: {inert(line.text)}", file=sys.stderr)
        for warning in self._source.warnings[self._told :]:
            _say(warning)
            self._told += 1


def _say(text: str) -> None:
    print(f"framefray: {inert(text)}", file=sys.stderr)
