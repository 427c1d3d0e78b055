"""The last lines of text that a source brings beside its line data: bounded in number and length, inert."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from itertools import islice

from ..text import inert

__all__ = ["LINE_OCTETS", "LOG_LINES", "LOG_LINE_CHARACTERS", "Log", "LogLine"]

LOG_LINES = 2000

LOG_LINE_CHARACTERS = 4000
"""The rest of a longer line is left out, and how much that was is said."""

LINE_OCTETS = 4096
"""A longer line is cut: nothing that prints hex sends so much without a line end."""


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of a board's console or log, printable characters only, with the host's time of its arrival.

    `event`: worded by the host; the board sent a code.
    """

    time_ns: int
    text: str
    event: bool = False


class Log:
    """The last lines of a log; `count` is how many there have been. One thread adds, others read."""

    def __init__(self) -> None:
        self.count = 0
        self._changing = threading.Lock()
        self._lines: deque[LogLine] = deque(maxlen=LOG_LINES)

    def add(self, time_ns: int, text: str, *, event: bool = False) -> None:
        """`text` as one line: escaped by `inert`, cut to LOG_LINE_CHARACTERS, with a word of the rest."""
        shown = inert(text[:LOG_LINE_CHARACTERS])
        if len(text) > LOG_LINE_CHARACTERS or len(shown) > LOG_LINE_CHARACTERS:
            shown = f"{shown[:LOG_LINE_CHARACTERS]} ... (cut; the line has {len(text)} characters)"
        with self._changing:
            self._lines.append(LogLine(time_ns, shown, event))
            self.count += 1

    def since(self, count: int) -> tuple[list[LogLine], int]:
        """Lines after the first `count`, as far as they are still held, and the count with them."""
        with self._changing:
            skipped = max(0, len(self._lines) - (self.count - count))
            return list(islice(self._lines, skipped, None)), self.count

    @property
    def last(self) -> str:
        """The last line; empty where there is none."""
        return self._lines[-1].text if self._lines else ""
