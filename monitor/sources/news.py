"""What a source has said since the last look."""

from __future__ import annotations

from .log import LogLine
from .source import Source, TalkingSource

__all__ = ["News"]


class News:
    """What a source has said and warned of since it was last asked; one for each who wants to know."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._heard = self._warned = 0

    def lines(self) -> list[LogLine]:
        """Lines of its log, where it has one."""
        if not isinstance(self._source, TalkingSource):
            return []
        lines, self._heard = self._source.log.since(self._heard)
        return lines

    def warnings(self) -> list[str]:
        new = self._source.warnings[self._warned :]
        self._warned += len(new)
        return new
