"""What was sent against what was received: differences of hyperframes by plane.

Differences belong to the plane that owns the octet (clause 4.2.7.2) by the pointer p and the HDLC rate code
of the sent side. Bits are those of the decoded octets. Nothing here finds sync or reads a file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache
from statistics import NormalDist

import numpy as np

from ..arrays import I64, U8
from ..events import Plane
from ..frame_structure import controlwords as cw
from ..frame_structure.frames import octet_address
from ..linerates import HYPERFRAMES_PER_FRAME, LineRateOption
from .bit_error_ratio import upper_bound
from .pairing import NumberRange, lengthen

__all__ = [
    "COMPARED_PLANES",
    "Comparison",
    "Difference",
    "PlaneDifferences",
    "plane_map",
    "ratio_bound",
]

COMPARED_PLANES = (
    Plane.SYNC,
    Plane.L1,
    Plane.HDLC,
    Plane.ETHERNET,
    Plane.VENDOR,
    Plane.CTRL_AXC,
    Plane.RESERVED,
    Plane.IQ,
)
_PLANE_NUMBER = {plane: i for i, plane in enumerate(COMPARED_PLANES)}
_IQ = _PLANE_NUMBER[Plane.IQ]
_PIECE_OCTETS = 1 << 20
_EXACT_UP_TO = 100_000


@cache
def _plane_map(option: LineRateOption, pointer_p: int, rate_code: int) -> U8:
    owners = np.array([_PLANE_NUMBER[plane] for plane in cw.subchannel_owners(pointer_p)], np.uint8)
    table = np.full((256, 16, option.word_octets), _IQ, np.uint8)
    table[:, 0, :] = np.tile(owners, 4)[:, None]
    control = table[:, 0, :].reshape(-1)
    control[cw.reserved_places(option.name, rate_code).flat] = _PLANE_NUMBER[Plane.RESERVED]
    table[:, 0, :] = control.reshape(256, -1)
    table[0, 0, :] = _PLANE_NUMBER[Plane.SYNC]
    table[:, 0, 16:] = _PLANE_NUMBER[Plane.VENDOR]  # real-time vendor specific octets, at options 8, 9 and 10
    flat = table.reshape(-1)
    flat.flags.writeable = False
    return flat


def plane_map(option: LineRateOption, pointer_p: int, rate_code: int) -> U8:
    """Index into COMPARED_PLANES of each octet of a hyperframe, uint8 (octets,)."""
    return _plane_map(option, pointer_p if cw.pointer_is_valid(pointer_p) else 0, rate_code)


@dataclass(frozen=True, slots=True)
class Difference:
    """One octet that differs: hyperframe BFN.HFN, its address #Z.X.W.Y, and both values."""

    bfn: int
    hfn: int
    x: int
    w: int
    y: int
    sent: int
    received: int

    @property
    def bits(self) -> int:
        return (self.sent ^ self.received).bit_count()


@dataclass(slots=True)
class PlaneDifferences:
    """What differs in one plane; `first` holds the first places."""

    compared_octets: int = 0
    octets: int = 0
    bits: int = 0
    hyperframes: int = 0
    first: list[Difference] = field(default_factory=list)

    @property
    def compared_bits(self) -> int:
        return 8 * self.compared_octets


class Comparison:
    """Counts the differences of hyperframes laid side by side; `places` are kept of each plane."""

    def __init__(self, option: LineRateOption, places: int = 10) -> None:
        self.option = option
        self.planes = {plane: PlaneDifferences() for plane in COMPARED_PLANES}
        self.hyperframes = 0
        self.differing_hyperframes = 0
        self.first_number: int | None = None
        self.last_number: int | None = None
        self.stretches: list[NumberRange] = []
        self._places = places

    @property
    def compared_bits(self) -> int:
        return 8 * self.hyperframes * self.option.hyperframe_octets

    @property
    def differing_bits(self) -> int:
        return sum(plane.bits for plane in self.planes.values())

    @property
    def differing_octets(self) -> int:
        return sum(plane.octets for plane in self.planes.values())

    def compare(self, numbers: I64, sent: U8, received: U8) -> None:
        """Hyperframes `sent` and `received` (n, 256, 16, T/8) of the same `numbers` (n,)."""
        n = len(numbers)
        if not n:
            return
        if self.first_number is None:
            self.first_number = int(numbers[0])
        self.last_number = int(numbers[-1])
        lengthen(self.stretches, numbers)
        self.hyperframes += n
        step = max(1, _PIECE_OCTETS // self.option.hyperframe_octets)
        for start in range(0, n, step):
            piece = slice(start, min(start + step, n))
            self._piece(numbers[piece], sent[piece], received[piece])

    def _piece(self, numbers: I64, sent: U8, received: U8) -> None:
        n = len(numbers)
        fields = cw.l1_fields(sent[:, :, 0, :])
        table = plane_map(
            self.option, int(np.bincount(fields.pointer).argmax()), int(np.bincount(fields.rate).argmax())
        )
        sizes = np.bincount(table, minlength=len(COMPARED_PLANES)).tolist()
        for plane, size in zip(COMPARED_PLANES, sizes, strict=True):
            self.planes[plane].compared_octets += n * size
        here = np.ascontiguousarray(sent).reshape(n, -1)
        there = np.ascontiguousarray(received).reshape(n, -1)
        unequal = (here.view(np.uint64) != there.view(np.uint64)).any(axis=1)
        rows = np.flatnonzero(unequal)
        self.differing_hyperframes += len(rows)
        if not len(rows):
            return
        flips = here[rows] ^ there[rows]
        unlike = flips != 0
        # A piece has at most 256 hyperframes, so 16 bits hold the sums of a column.
        octets = np.add.reduce(unlike, axis=0, dtype=np.uint16)
        bits = np.add.reduce(np.bitwise_count(flips), axis=0, dtype=np.uint16)
        for i in np.unique(table[np.flatnonzero(octets)]).tolist():
            found = self.planes[COMPARED_PLANES[i]]
            columns = np.flatnonzero(table == i)
            found.octets += int(octets[columns].sum(dtype=np.int64))
            found.bits += int(bits[columns].sum(dtype=np.int64))
            part = unlike[:, columns]
            found.hyperframes += int(np.count_nonzero(part.any(axis=1)))
            if len(found.first) >= self._places:
                continue
            for row, column in np.argwhere(part)[: self._places - len(found.first)].tolist():
                z, index = int(rows[row]), int(columns[column])
                bfn, hfn = divmod(int(numbers[z]), HYPERFRAMES_PER_FRAME)
                place = octet_address(self.option, index)
                found.first.append(Difference(bfn, hfn, *place, int(here[z, index]), int(there[z, index])))


def ratio_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """One-sided upper bound of the bit error ratio at `confidence`.

    Exact (binomial) up to 100 000 errors; beyond, the score interval of Wilson (J. Am. Stat. Assoc. 22, 1927),
    which then differs from it by less than one part in 10 000.
    """
    if errors <= _EXACT_UP_TO or bits - errors <= _EXACT_UP_TO:
        return upper_bound(bits, errors, confidence)
    z = NormalDist().inv_cdf(confidence)
    ratio, share = errors / bits, z * z / bits
    spread = z * math.sqrt(ratio * (1 - ratio) / bits + share / (4 * bits))
    return (ratio + share / 2 + spread) / (1 + share)
