"""What goes from one emulated board of a pair to the other: a head that names the option, then pieces.

A piece begins with its kind and its length. Line data are symbols of 16 bits at 8B/10B, packed line bits at 64B/66B.
Symbols do not show when they arrive, to the bit, so how long the way through the other board is comes beside them.
"""

from __future__ import annotations

import struct
from contextlib import suppress

import numpy as np

from decoders.linerates import option_named

from ..errors import InputError
from ..protocol import records as r
from .board_line import LineItems

__all__ = ["PairStream"]

LINK_MAGIC = b"fflink2"
"""Begins the stream, and one octet for the option follows."""
_PIECE = struct.Struct("<BI")
_LINE_DATA, _TURNAROUND = 1, 2
_MOST_PIECE = 64 << 20
"""Octets of the longest piece: far more than any board sends at once."""


class PairStream:
    """One board's end: what it sends waits in `take`, what it receives comes as line data from `receive`.

    `turnaround_bits` is what the other board has told of the way to it and through it; None where it has not.
    """

    def __init__(self, option: str) -> None:
        self.up = False
        self.turnaround_bits: int | None = None
        self._option = option
        self._item = np.dtype("<u2" if option_named(option).line_code == "8b10b" else np.uint8)
        self._head = LINK_MAGIC + bytes([r.option_code(option)])
        self._out = bytearray(self._head)
        self._in = bytearray()
        self._head_came = False

    def send(self, items: LineItems) -> None:
        self._put(_LINE_DATA, items.astype(self._item).tobytes())

    def tell_turnaround(self, bits: int) -> None:
        """Tell the other board how long its line takes to this one and through it, in line bits."""
        self._put(_TURNAROUND, struct.pack("<q", bits))

    def _put(self, kind: int, data: bytes) -> None:
        self._out += _PIECE.pack(kind, len(data)) + data

    def take(self) -> bytes:
        """What was sent since the last time."""
        out, self._out = bytes(self._out), bytearray()
        return out

    def changed(self, up: bool) -> None:
        """The link came up or went down; what was on its way is lost."""
        self.up = up
        self._out, self._in = bytearray(self._head), bytearray()
        self._head_came = False
        self.turnaround_bits = None

    def receive(self, data: bytes) -> LineItems:
        """The line data that these octets complete; InputError where they are not those of a board of this option."""
        self._in += data
        items = bytearray()
        if self._takes_head():
            while len(self._in) >= _PIECE.size:
                kind, size = _PIECE.unpack_from(self._in)
                if size > _MOST_PIECE or (kind == _LINE_DATA and size % self._item.itemsize):
                    raise InputError(f"a piece of {size} octets came on the link, which no board sends")
                if len(self._in) < _PIECE.size + size:
                    break
                piece = bytes(self._in[_PIECE.size : _PIECE.size + size])
                del self._in[: _PIECE.size + size]
                if kind == _LINE_DATA:
                    items += piece
                elif kind == _TURNAROUND and size == 8:
                    (self.turnaround_bits,) = struct.unpack("<q", piece)
        whole = np.frombuffer(bytes(items), self._item)
        return whole.astype(self._item.newbyteorder("="))

    def _takes_head(self) -> bool:
        """Whether the head has come."""
        if not self._head_came and len(self._in) >= len(self._head):
            if self._in[: len(self._head)] != self._head:
                raise InputError(f"{self._other_end()}, this one is of option {self._option}")
            del self._in[: len(self._head)]
            self._head_came = True
        return self._head_came

    def _other_end(self) -> str:
        if self._in.startswith(LINK_MAGIC):
            with suppress(r.PayloadError):
                return f"the other board of the link is of option {r.option_name(self._in[len(LINK_MAGIC)])}"
        return "what answers on the link is no board of this kind"
