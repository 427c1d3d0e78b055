"""A board's console: lines of hex octets that are line data, and everything else, which is kept as a log.

A line holds octets where every token of it, after an optional `offset:` column and before a `#`, is pairs of hex
digits; the form is that of hex files. Pure: octets in, octets and lines out.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from itertools import islice

__all__ = ["Log", "LogLine"]

LOG_LINES = 2000

LINE_OCTETS = 4096
"""A longer line is cut: nothing that prints hex sends so much without a line end."""


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of a board's console or log, printable characters only, with the host's time of its coming.

    `event`: put into words here, for what the board sent was a code.
    """

    time_ns: int
    text: str
    event: bool = False


class Log:
    """The last lines of a log; `count` is how many there have been. One thread adds, others look."""

    def __init__(self) -> None:
        self.count = 0
        self._changing = threading.Lock()
        self._lines: deque[LogLine] = deque(maxlen=LOG_LINES)

    def add(self, time_ns: int, text: str, *, event: bool = False) -> None:
        """`text` with everything that is not printable written as an escape."""
        shown = "".join(
            c if c.isprintable() else c.encode("unicode_escape", "replace").decode() for c in text
        )
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
