"""What the emulated boards put into vendor specific, Ctrl_AxC and reserved words, so that each plane has traffic.

What these octets mean is left to the vendor (CPRI V7.0 clauses 4.2.7.5 and 4.2.7.7), and reserved ones are to be
sent as 0; the contents here are invented. Every octet is a function of the seed and the 10 ms frame alone, so it
changes only where BFN does.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoders.arrays import I64, U8
from decoders.linerates import HYPERFRAMES_PER_FRAME

__all__ = ["ControlWordTraffic"]

_NAME = np.frombuffer(b"SALTMARSH", np.uint8)
_MESSAGES = tuple(
    np.frombuffer(text, np.uint8) for text in (b"FAN OK  ", b"DOOR SHUT", b"LAMP ON ", b"TIDE LOW")
)
_MESSAGE_FRAMES = 40
_SENSORS = ((17, 0, 3, 0x2A, 5), (17, 1, 1, 0x60, 16), (17, 2, 25, 0xE0, 2), (18, 0, 7, 0x80, 11))
"""(Ns, Xs, frames a step, least value, number of values) of vendor octets that move."""
_FIRST_TEXT_NS = 21
_GAIN_STEPS = ((4, 0, 6), (5, 2, 10), (6, 1, 15))
"""(Ns, Xs, frames a step) of Ctrl_AxC octets that move."""
_GAIN = 0x40
_RESERVED = (9, 1)
_RESERVED_FRAMES = 20


class ControlWordTraffic:
    """Octets Y = 0 of words that the C&M channels, timing and L1 leave free.

    Vendor specific are subchannels 16 .. `pointer_p` - 1, or .. 63 where `pointer_p` is 0.
    """

    def __init__(self, seed: int, pointer_p: int) -> None:
        self._seed = seed
        self._end = pointer_p or 64

    def fill(self, octets: U8, first: int) -> None:
        """Write into hyperframes uint8 (n, 256, 16, T/8); `first` counts from an HFN of 0."""
        words = octets[:, :, 0, 0]
        frames = (first + np.arange(len(octets), dtype=np.int64)) // HYPERFRAMES_PER_FRAME
        for ns, xs, every, least, values in _SENSORS:
            if ns < self._end:
                words[:, ns + 64 * xs] = least + (frames // every + self._seed) % values
        self._text(words, 0, [_NAME])
        self._text(words, 2, _MESSAGES, frames // _MESSAGE_FRAMES)
        for ns in range(4, 8):
            words[:, ns] = _GAIN + ns
        for ns, xs, every in _GAIN_STEPS:
            words[:, ns + 64 * xs] = _GAIN + (frames // every + ns) % 8
        ns, xs = _RESERVED
        words[:, ns + 64 * xs] = frames // _RESERVED_FRAMES & 0xFF

    def _text(self, words: U8, xs: int, texts: Sequence[U8], chosen: I64 | None = None) -> None:
        """One of the texts, an octet a subchannel."""
        for i in range(max(map(len, texts))):
            ns = _FIRST_TEXT_NS + i
            if ns >= self._end:
                return
            column = np.array([text[i] if i < len(text) else 0x20 for text in texts], np.uint8)
            words[:, ns + 64 * xs] = column[0] if chosen is None else column[chosen % len(texts)]
