"""A source read without a screen: what a board says and a source warns of as it comes, and an end by a signal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

from ..errors import inert
from ..interrupts import Interrupts
from ..sources import Chunk, Source
from ..sources.console import News

__all__ = ["Reading"]


class Reading:
    """Reads a source to its end, or to a signal; what it says on the way goes to standard error."""

    def __init__(self, source: Source, interrupts: Interrupts) -> None:
        self._source = source
        self._interrupts = interrupts
        self._news = News(source)

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
        for line in self._news.lines():
            if not line.event:
                print(f"board: {inert(line.text)}", file=sys.stderr)
        for warning in self._news.warnings():
            print(f"framefray: {inert(warning)}", file=sys.stderr)
