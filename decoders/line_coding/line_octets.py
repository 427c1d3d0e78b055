"""What a 64B/66B reader gives: dense octets, and where the few special things lie.

Every heading is a list of octet positions; one that happened n times at a place stands there n times, so that
the length of a list is what its counter moves by, in any cut of the stream.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOWHERE", "LineOctets", "Place", "joined"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
NOWHERE: I64 = np.zeros(0, np.int64)


class Place(StrEnum):
    """Headings of line errors; the values are names of counters."""

    HEADER_ERROR = "block_header_errors"
    UNEXPECTED_TYPE = "block_type_unexpected"
    LOCK_LOST = "block_lock_losses"
    CODEWORD_CORRECTED = "fec_corrected_codewords"
    SYMBOL_CORRECTED = "fec_corrected_symbols"
    CODEWORD_UNCORRECTED = "fec_uncorrected_codewords"
    FEC_LOCK_LOST = "fec_lock_losses"


@dataclass(frozen=True, slots=True, eq=False)
class LineOctets:
    """Octets behind the line code, uint8 (n,), and ascending octet positions (int64, from 0 in this piece).

    `k_positions`: /T/ and /S/. `places`: a heading that is left out has none; a block or a codeword stands at
    its first octet. `unread`: blocks that could not be descrambled, of which the header alone is judged.
    """

    octets: U8
    k_positions: I64 = field(default_factory=lambda: NOWHERE)
    places: Mapping[Place, I64] = field(default_factory=dict)
    unread: I64 = field(default_factory=lambda: NOWHERE)

    def __len__(self) -> int:
        return len(self.octets)

    def at(self, place: Place) -> I64:
        """Positions under a heading."""
        return self.places.get(place, NOWHERE)


def joined(pieces: Sequence[LineOctets]) -> LineOctets:
    """Pieces one behind the other."""
    if len(pieces) == 1:
        return pieces[0]
    if not pieces:
        return LineOctets(np.zeros(0, np.uint8))
    starts = np.cumsum([0] + [len(piece) for piece in pieces[:-1]]).tolist()

    def moved(parts: Sequence[I64]) -> I64:
        return np.concatenate([part + start for part, start in zip(parts, starts, strict=True)])

    headings = {place for piece in pieces for place in piece.places}
    return LineOctets(
        np.concatenate([piece.octets for piece in pieces]),
        moved([piece.k_positions for piece in pieces]),
        {place: moved([piece.at(place) for piece in pieces]) for place in headings},
        moved([piece.unread for piece in pieces]),
    )
