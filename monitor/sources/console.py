"""A board's console: lines of hex octets that are line data, and everything else, which is kept as a log.

A line holds octets where every token of it, after an optional `offset:` column and before a `#`, is pairs of hex
digits; the form is that of hex files. Pure: octets in, octets and lines out.
"""

from __future__ import annotations

import re
import threading
from collections import deque
from dataclasses import dataclass
from itertools import islice

from ..forms import hex_octets
from . import Source, TalkingSource

__all__ = ["ConsoleReader", "Log", "LogLine", "News"]

LOG_LINES = 2000
_HEX_LINES = re.compile(
    rb"(?:[ \t]*+(?:(?:0[xX])?[0-9A-Fa-f]*[ \t]*:[ \t]*)?[0-9A-Fa-f][0-9A-Fa-f \t]*(?:#[^\n]*)?\r?\n)+"
)
"""Lines that may hold octets; whether their digits are pairs is for `hex_octets` to find."""
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


class ConsoleReader:
    """Takes what a console prints; `log` gets the lines that hold no octets, without what ends them."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._carry = b""

    def feed(self, text: bytes, time_ns: int = 0) -> bytes:
        """The octets of the lines that `text` completes."""
        data = self._carry + text
        end = data.rfind(b"\n") + 1
        if len(data) - end > LINE_OCTETS:
            blank = max(data.rfind(b" "), data.rfind(b"\t"))
            digits = max(end, data.rfind(b":") + 1)  # a column goes before the pairs
            end = blank + 1 if blank > end else digits + (len(data) - digits & ~1)
        piece, self._carry = data[:end], data[end:]
        if not piece:
            return b""
        octets = bytearray()
        at = 0
        while at < len(piece):
            run = _HEX_LINES.match(piece, at)
            found = hex_octets(run[0]) if run else None
            after = run.end() if run else piece.find(b"\n", at) + 1 or len(piece)
            if found is None:  # each line by itself, and once only, whatever their number
                found = b"".join(self._line(line, time_ns) for line in piece[at:after].splitlines())
            octets += found
            at = after
        return bytes(octets)

    def restart(self) -> None:
        """The line was broken: what was begun will not be finished."""
        self._carry = b""

    def _line(self, line: bytes, time_ns: int) -> bytes:
        octets = hex_octets(line)
        if octets:
            return octets
        text = line.decode("utf-8", "replace").strip()
        if text:
            self._log.add(time_ns, text)
        return b""
