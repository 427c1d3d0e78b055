"""Symbols as a deserialiser with comma alignment makes them of line bits, some of which came or went.

It keeps its word boundary as long as that is the sender's. Where bits came or went it goes on at the old boundary,
which gives garbled symbols: in sync it looks at no comma. After four invalid symbols sync is lost (IEEE 802.3 clause
36.2.5.2.6 has them follow closely), and the next whole K28.5 at another boundary begins anew (comma: clause
36.2.4.9); the part of a symbol before it is dropped. A K28.5 that garbled bits make by chance counts like any other.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from decoders.arrays import U8, U16
from decoders.line_coding.code_8b10b import find_sync_symbols, pack_symbols, symbols_at, tables

from ..faults.injector import move_bits

__all__ = ["Deserialiser"]

_BITS = 10
SYNC_LOST = 4
"""Invalid symbols after which the word boundary is looked for."""


class Deserialiser:
    """The stream may be cut into batches anywhere between symbols sent; what comes out is the same."""

    def __init__(self) -> None:
        self._rest: U8 = np.zeros(0, np.uint8)  # none as long as the boundary is the sender's
        self._invalid = 0
        legal = tables().legal
        self._is_invalid = ~(legal[0] | legal[1])

    @property
    def in_step(self) -> bool:
        """Whether the word boundary is the sender's."""
        return not len(self._rest)

    def take(self, sent: U16, cuts: Iterable[tuple[int, int]] = ()) -> U16:
        """Symbols received of those sent; `cuts` are (line bit, bits more or fewer from there), ascending.

        Line bits count from the first of `sent`, with what cuts before have moved.
        """
        cuts = list(cuts)
        if self.in_step and not cuts:
            return sent
        unpacked = np.unpackbits(pack_symbols(sent), bitorder="little", count=_BITS * len(sent))
        before = len(self._rest)
        bits = np.concatenate((self._rest, unpacked))
        stretches = [(0, before % _BITS)]  # from which bit on, the sender's word boundary
        for at, change in cuts:
            bits = move_bits(bits, before + at, change)
            stretches.append((before + at, (stretches[-1][1] + change) % _BITS))
        ends = [start for start, _ in stretches[1:]] + [len(bits)]
        packed = np.packbits(bits, bitorder="little")
        commas = find_sync_symbols(packed, 0, len(bits) - _BITS + 1)
        out: list[U16] = []
        here = 0

        def read(until: int) -> None:
            nonlocal here
            count = max(0, (until - here) // _BITS)
            out.append(symbols_at(packed, here, count))
            here += _BITS * count

        def lose_sync(until: int) -> bool:
            """Read up to the symbol that loses sync; False where that is not among these."""
            count = max(0, (until - here) // _BITS)
            invalid = np.flatnonzero(self._is_invalid[symbols_at(packed, here, count)])
            left = SYNC_LOST - self._invalid
            self._invalid += min(left, len(invalid))
            read(here + _BITS * (int(invalid[left - 1]) + 1) if len(invalid) >= left else until)
            return len(invalid) >= left

        for (_, boundary), end in zip(stretches, ends, strict=True):
            while here % _BITS != boundary:
                if self._invalid < SYNC_LOST and not lose_sync(end):
                    break
                elsewhere = commas[(commas >= here) & (commas < end) & (commas % _BITS != here % _BITS)]
                if not len(elsewhere):
                    break
                read(int(elsewhere[0]))
                here = int(elsewhere[0])
            else:
                self._invalid = 0
                read(end)
                continue
            # A comma that begins among the last bits may be whole with what follows.
            read(end if end < len(bits) or self._invalid < SYNC_LOST else end - _BITS + 1)
        self._rest = bits[here:]
        return np.concatenate(out)
