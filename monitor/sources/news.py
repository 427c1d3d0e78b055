"""What a source has said since the last look."""

from __future__ import annotations

from ..text import counted
from .log import LOG_LINES, LogLine
from .source import Source, TalkingSource

__all__ = ["News"]


class News:
    """What a source has said and warned of since it was last asked; one for each who wants to know."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._heard = self._warned = 0

    def lines(self) -> list[LogLine]:
        """Lines of its log, where it has one; where the log could not hold all of them, first how many are lost."""
        if not isinstance(self._source, TalkingSource):
            return []
        lines, count = self._source.log.since(self._heard)
        lost = count - self._heard - len(lines)
        self._heard = count
        if lost:
            text = f"({counted(lost, 'line')} left out: more than {LOG_LINES} at a time)"
            lines = [LogLine(lines[0].time_ns if lines else 0, text), *lines]
        return lines

    def warnings(self) -> list[str]:
        new = self._source.warnings[self._warned :]
        self._warned += len(new)
        return new
