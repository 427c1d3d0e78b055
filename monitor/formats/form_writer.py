"""Line data written in a data format."""

from __future__ import annotations

from typing import BinaryIO

import numpy as np

from decoders.arrays import I64, U8, U16

from .forms import WORD_FORMS, Form
from .hex_text import HexWriter

__all__ = ["FormWriter", "flagged_words"]


def flagged_words(
    octets: U8,
    k_positions: I64 | None = None,
    violations: I64 | None = None,
    disparity_errors: I64 | None = None,
) -> U16:
    """Words of the flagged form (uint16, shape (n,)) of octets (uint8, shape (n,)) and positions in them."""
    words = octets.astype("<u2")
    for bit, positions in ((0x100, k_positions), (0x200, violations), (0x400, disparity_errors)):
        if positions is not None:
            words[positions] |= bit
    return words


class FormWriter:
    """Writes one form to a stream: octets, packed bits or blocks as uint8, flagged words or symbols as uint16."""

    def __init__(self, stream: BinaryIO, form: Form) -> None:
        if form is Form.FFCAP:
            raise ValueError("an .ffcap capture is written by CaptureWriter")
        self.form = form
        self._stream = stream
        self._hex = HexWriter(stream) if form is Form.HEX else None

    def write(self, data: U8 | U16) -> None:
        """ValueError for an array of the wrong item size."""
        size = 2 if self.form in WORD_FORMS else 1
        if data.dtype.kind != "u" or data.dtype.itemsize != size:
            raise ValueError(f"{self.form} is written from unsigned items of {size} octets, not {data.dtype}")
        if self._hex is not None:
            self._hex.write(data.astype(np.uint8, copy=False))
        else:
            native = np.ascontiguousarray(data, dtype=data.dtype.newbyteorder("<"))
            self._stream.write(native.data.cast("B"))

    def close(self) -> None:
        """Write what is held back; the stream stays open."""
        if self._hex is not None:
            self._hex.close()
