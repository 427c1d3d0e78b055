"""Hex octets on a console, and the text between them."""

from __future__ import annotations

import re

from ..formats.hex_text import hex_octets
from ..sources.log import LINE_OCTETS, Log

__all__ = ["ConsoleReader"]

_HEX_LINES = re.compile(
    rb"(?:[ \t]*+(?:(?:0[xX])?[0-9A-Fa-f]*[ \t]*:[ \t]*)?[0-9A-Fa-f][0-9A-Fa-f \t]*(?:#[^\n]*)?\r?\n)+"
)
"""Lines that may hold octets; whether their digits are pairs is for `hex_octets` to find."""


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
