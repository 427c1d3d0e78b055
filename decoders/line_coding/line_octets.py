"""What a reader of line coded data gives: dense octets, and where the few special things lie.

Every heading is a list of octet positions; one that happened n times at a place stands there n times, so that
the length of a list is what its counter moves by, in any cut of the stream.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOWHERE", "LineOctetBuffer", "LineOctets", "Place", "joined"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
NOWHERE: I64 = np.zeros(0, np.int64)


class Place(StrEnum):
    """Headings of line errors; the values are names of counters."""

    CODE_VIOLATION = "code_violations"
    DISPARITY_ERROR = "disparity_errors"
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


class LineOctetBuffer:
    """Octets waiting for their hyperframe; positions count from the first of them."""

    def __init__(self) -> None:
        self._held = LineOctets(np.zeros(0, np.uint8))
        self._waiting: list[LineOctets] = []
        self._waiting_octets = 0

    def __len__(self) -> int:
        return len(self._held) + self._waiting_octets

    @property
    def octets(self) -> U8:
        return self._held.octets

    @property
    def k(self) -> I64:
        return self._held.k_positions

    @property
    def unread(self) -> I64:
        return self._held.unread

    def at(self, place: Place) -> I64:
        """Positions under a heading."""
        return self._held.at(place)

    def counts(self, start: int, end: int) -> dict[Place, int]:
        """By what each counter moves for the octets start..end-1; headings with nothing are left out."""
        found = {
            place: int(np.searchsorted(positions, end) - np.searchsorted(positions, start))
            for place, positions in self._held.places.items()
        }
        return {place: count for place, count in found.items() if count}

    def append(self, piece: LineOctets) -> None:
        if len(piece):
            self._waiting.append(piece)
            self._waiting_octets += len(piece)

    def join(self) -> None:
        """Put what was appended behind the arrays."""
        if self._waiting:
            held = [self._held] if len(self._held) else []
            self._held = joined([*held, *self._waiting])
            self._waiting, self._waiting_octets = [], 0

    def drop(self, count: int) -> None:
        """Forget the first `count` octets of what is joined."""
        held = self._held
        places = {place: _from(positions, count) for place, positions in held.places.items()}
        self._held = LineOctets(
            held.octets[count:],
            _from(held.k_positions, count),
            {place: positions for place, positions in places.items() if len(positions)},
            _from(held.unread, count),
        )

    def own(self) -> None:
        """Copy what still lies in the caller's memory; what is held is a few hyperframes at most."""
        if self._held.octets.base is not None:
            self._held = replace(self._held, octets=self._held.octets.copy())
        if self._waiting and self._waiting[-1].octets.base is not None:
            self._waiting[-1] = replace(self._waiting[-1], octets=self._waiting[-1].octets.copy())

    def clear(self) -> None:
        self.drop(len(self._held))
        self._waiting, self._waiting_octets = [], 0


def _from(positions: I64, count: int) -> I64:
    if not len(positions):
        return positions
    return positions[np.searchsorted(positions, count) :] - count
