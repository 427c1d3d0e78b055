"""What the emulated boards put into vendor specific, Ctrl_AxC and reserved words, so that each plane has traffic.

What these octets mean is left to the vendor (CPRI V7.0 clauses 4.2.7.5 and 4.2.7.7), and reserved ones are to be
sent as 0; the contents here are invented. Every octet is a function of the seed and the 10 ms frame alone, so it
changes only where BFN does.
"""

from __future__ import annotations

import numpy as np

from decoders.arrays import I64, U8
from decoders.linerates import HYPERFRAMES_PER_FRAME

__all__ = ["ControlWordTraffic"]

_TEXT = np.frombuffer(b"SALTMARSH RE-1 FAN OK  DOOR SHUT  LAMP ON  TIDE LOW  ", np.uint8)
_TEXT_PLACES = tuple((ns, xs) for xs in (0, 2) for ns in range(24, 36))
_SENSORS = ((17, 1, 0x2A, 5), (18, 1, 0x60, 16), (20, 0, 0xE0, 3), (21, 1, 0x80, 11))
"""(Ns, Xs, least value, number of values) of vendor octets that move in turn, one of them a frame."""
_GAINS = ((4, 0), (5, 2), (6, 1), (7, 3))
"""(Ns, Xs) of Ctrl_AxC octets that move in turn, one of them every second frame."""
_GAIN = 0x40
_RESERVED = ((3, 0, 0x01), (9, 1, 0x5A), (12, 3, 0xC3))
"""(Ns, Xs, value) of octets that stand in reserved words."""


class ControlWordTraffic:
    """Octets Y = 0 of words that the C&M channels, timing and L1 leave free.

    Vendor specific are subchannels 16 .. `pointer_p` - 1, or .. 63 where `pointer_p` is 0. About as many octets
    change at the beginning of each 10 ms frame as of any other, and reserved ones never, so that a receiver that
    knows the link's own traffic can tell it from an injected fault.
    """

    def __init__(self, seed: int, pointer_p: int) -> None:
        self._seed = seed
        self._end = pointer_p or 64

    def fill(self, octets: U8, first: int) -> None:
        """Write into hyperframes uint8 (n, 256, 16, T/8); `first` counts from an HFN of 0."""
        words = octets[:, :, 0, 0]
        frames = (first + np.arange(len(octets), dtype=np.int64)) // HYPERFRAMES_PER_FRAME
        for i, (ns, xs, least, values) in enumerate(_SENSORS):
            if ns < self._end:
                words[:, ns + 64 * xs] = least + (_turns(frames, i, len(_SENSORS)) + self._seed) % values
        for i, (ns, xs) in enumerate(_TEXT_PLACES):
            if ns < self._end:
                # Each place takes the next letter in its turn; a line that is written over and over.
                letter = i + len(_TEXT_PLACES) * _turns(frames, i, len(_TEXT_PLACES))
                words[:, ns + 64 * xs] = _TEXT[letter % len(_TEXT)]
        for i, (ns, xs) in enumerate(_GAINS):
            words[:, ns + 64 * xs] = _GAIN + (_turns(frames, 2 * i, 2 * len(_GAINS)) + i) % 8
        for ns, xs, value in _RESERVED:
            words[:, ns + 64 * xs] = value


def _turns(frames: I64, turn: int, turns: int) -> I64:
    """How often it has been the turn of one of `turns`, each in its frame."""
    return (frames + turns - 1 - turn) // turns
