"""What goes from one emulated board of a pair to the other: a head that names the option, then its line data.

Symbols of 16 bits at 8B/10B, packed line bits at 64B/66B.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from decoders.linerates import option_named

from ..errors import InputError
from ..protocol import records as r
from .board_line import LineItems

__all__ = ["PairStream"]

LINK_MAGIC = b"fflink1"
"""Begins the stream, and one octet for the option follows."""


class PairStream:
    """One board's end: what it sends waits in `take`, what it receives comes as line data from `receive`."""

    def __init__(self, option: str) -> None:
        self.up = False
        self._option = option
        self._item = np.dtype("<u2" if option_named(option).line_code == "8b10b" else np.uint8)
        self._head = LINK_MAGIC + bytes([r.option_code(option)])
        self._out = bytearray(self._head)
        self._in = bytearray()
        self._head_came = False

    def send(self, items: LineItems) -> None:
        self._out += items.astype(self._item).tobytes()

    def take(self) -> bytes:
        """What was sent since the last time."""
        out, self._out = bytes(self._out), bytearray()
        return out

    def changed(self, up: bool) -> None:
        """The link came up or went down; what was on its way is lost."""
        self.up = up
        self._out, self._in = bytearray(self._head), bytearray()
        self._head_came = False

    def receive(self, data: bytes) -> LineItems:
        """The line data that these octets complete; InputError where the other board is of another option."""
        self._in += data
        if not self._head_came:
            if len(self._in) < len(self._head):
                return np.empty(0, self._item.newbyteorder("="))
            if self._in[: len(self._head)] != self._head:
                raise InputError(f"{self._other_end()}, this one is of option {self._option}")
            del self._in[: len(self._head)]
            self._head_came = True
        whole = len(self._in) // self._item.itemsize * self._item.itemsize
        items = np.frombuffer(bytes(self._in[:whole]), self._item)
        del self._in[:whole]
        return items.astype(self._item.newbyteorder("="))

    def _other_end(self) -> str:
        if self._in.startswith(LINK_MAGIC):
            with suppress(r.PayloadError):
                return f"the other board of the link is of option {r.option_name(self._in[len(LINK_MAGIC)])}"
        return "what answers on the link is no board of this kind"
