"""4B/5B block code: nibbles to five-bit code groups and back, and the bit searches of its receiver.

IEEE 802.3 clause 24.2.2.1 (table 24-1), without the scrambler and line code of that physical layer: this is
how CPRI carries its fast C&M channel (clause 4.2.7.7.2).

A code group is written here as in the table, first bit sent leftmost: J is 0b11000. Bit streams are octets
whose bit 0 is first in time. Everything works on batches; of frames this knows only how they are delimited.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8

__all__ = [
    "BAD",
    "DATA_GROUPS",
    "ERROR_GROUP",
    "ESD_R",
    "ESD_T",
    "IDLE",
    "INVALID_GROUPS",
    "PAD_OCTETS",
    "SSD_J",
    "SSD_K",
    "GroupBlock",
    "decode_groups",
    "encode_symbols",
    "find_ones",
    "find_zero",
    "group_bits",
    "join_nibbles",
    "split_octets",
]

DATA_GROUPS = (
    0b11110, 0b01001, 0b10100, 0b10101, 0b01010, 0b01011, 0b01110, 0b01111,
    0b10010, 0b10011, 0b10110, 0b10111, 0b11010, 0b11011, 0b11100, 0b11101,
)  # fmt: skip
"""The code group of each nibble 0..F (table 24-1)."""
_I, _J, _K, _T, _R = 0b11111, 0b11000, 0b10001, 0b01101, 0b00111
ERROR_GROUP = 0b00100
"""H, the transmit error group."""
INVALID_GROUPS = tuple(sorted(set(range(32)) - set(DATA_GROUPS) - {_I, _J, _K, _T, _R, ERROR_GROUP}))
"""The ten code groups the table leaves unused."""

IDLE, SSD_J, SSD_K, ESD_T, ESD_R, BAD = 16, 17, 18, 19, 20, 31
"""Symbols beside the nibbles 0..15, in order of how much they spoil a frame: BAD is H or an invalid group."""

PAD_OCTETS = 16
"""Octets that must follow the last received one in memory, because windows of 64 bits are read there."""

_SYMBOL = {g: n for n, g in enumerate(DATA_GROUPS)} | {
    _I: IDLE, _J: SSD_J, _K: SSD_K, _T: ESD_T, _R: ESD_R,
}  # fmt: skip
_REGULAR = np.array((ESD_T, ESD_R, SSD_J, SSD_K), dtype=np.uint8)
_ROWS_AT_ONCE = 64
_GROUPS_OF_WINDOW = 8
_WINDOW_SHIFTS = np.arange(0, 40, 10, dtype=np.uint64)
_TEN_BITS = np.uint64(0x3FF)
_STARTS = np.uint64((1 << 48) - 1)
"""Where a run of ten must begin in a window of 64 bits, six octets from the next."""


def _reversed5(group: int) -> int:
    """The group with its first bit in bit 0, as a window of the bit stream shows it."""
    return int(f"{group:05b}"[::-1], 2)


def _pair_table() -> NDArray[np.uint16]:
    """Ten bits of stream -> two symbols, the earlier one in the low octet."""
    one = np.array([_SYMBOL.get(_reversed5(bits), BAD) for bits in range(32)], dtype=np.uint16)
    pairs = np.arange(1024)
    table: NDArray[np.uint16] = (one[pairs & 31] | one[pairs >> 5] << 8).astype("<u2")
    return table


def _group_bits() -> U8:
    """Row g: the five bits of group g in the order they are sent."""
    return np.array([[group >> (4 - i) & 1 for i in range(5)] for group in range(32)], dtype=np.uint8)


_PAIRS = _pair_table()
_BITS = _group_bits()
_GROUP_OF_SYMBOL = np.array(
    [*DATA_GROUPS, _I, _J, _K, _T, _R, *[ERROR_GROUP] * (BAD - ESD_R)], dtype=np.uint8
)  # fmt: skip


def decode_groups(stream: bytes, bit: int, count: int) -> U8:
    """Symbols of `count` code groups from bit position `bit`, one octet each.

    `stream` must have PAD_OCTETS octets after the last group.
    """
    windows = np.ndarray(
        (-(-count // _GROUPS_OF_WINDOW),), dtype="<u8", buffer=stream, offset=bit >> 3, strides=(5,)
    )
    pairs = (windows >> np.uint64(bit & 7))[:, None] >> _WINDOW_SHIFTS & _TEN_BITS
    return _PAIRS.take(pairs.view(np.int64)).reshape(-1).view(np.uint8)[:count]


def encode_symbols(symbols: U8) -> U8:
    """The groups (table notation) of nibbles and IDLE..ESD_R."""
    return _GROUP_OF_SYMBOL[symbols]


def group_bits(groups: U8) -> U8:
    """Groups in table notation -> bits in order of sending, one octet each, shape (5 * groups,)."""
    return _BITS[groups].reshape(-1)


def join_nibbles(nibbles: U8) -> bytes:
    """Octets of an even number of nibbles, low nibble first (802.3 clause 22.2.3)."""
    pairs = nibbles.view("<u2")
    octets: bytes = (pairs >> np.uint16(4) | pairs).astype(np.uint8).tobytes()
    return octets


def split_octets(octets: bytes) -> U8:
    """Nibbles of octets, low nibble first."""
    values = np.frombuffer(octets, dtype=np.uint8)
    return np.stack((values & 15, values >> 4), axis=1).reshape(-1)


def find_zero(stream: U8, bit: int) -> int:
    """Position of the first 0 bit at or after `bit`, or -1."""
    at = bit >> 3
    if at >= len(stream):
        return -1
    head = int(stream[at]) | (1 << (bit & 7)) - 1
    size = 32
    while head == 0xFF:
        at += 1
        hits = stream[at : at + size] != 0xFF
        if not len(hits):
            return -1
        step = int(hits.argmax())
        if hits[step]:
            at += step
            head = int(stream[at])
        else:
            at += len(hits) - 1
        size = min(8 * size, 1 << 18)
    return 8 * at + (~head & head + 1).bit_length() - 1


def find_ones(stream: bytes, at: int, end: int) -> int:
    """Bit position of the first of ten 1 bits in a row in the octets `at` to `end`, or -1.

    `stream` must have PAD_OCTETS octets of zeros from `end` on.
    """
    size = 32
    while at < end:
        count = min(size, -(-(end - at) // 6))
        one = np.ndarray((count,), dtype="<u8", buffer=stream, offset=at, strides=(6,))
        two = one & one >> np.uint64(1)
        four = two & two >> np.uint64(2)
        ten = four & four >> np.uint64(4) & two >> np.uint64(8) & _STARTS
        step = int((ten != 0).argmax())
        if found := int(ten[step]):
            return 8 * (at + 6 * step) + (found & -found).bit_length() - 1
        at += 6 * count
        size = min(8 * size, 1 << 14)
    return -1


class GroupBlock:
    """Code groups of a piece of the stream in one phase, and where those are that are not data."""

    __slots__ = ("_octets", "_terminators", "codes", "count", "first_bit", "other", "special", "symbols")

    def __init__(self, stream: bytes, first_bit: int, count: int) -> None:
        self.first_bit = first_bit
        self.count = count
        self.symbols: U8 = decode_groups(stream, first_bit, count)
        self.other: I64 = (self.symbols >= IDLE).nonzero()[0]
        self.codes: U8 = self.symbols[self.other]
        self.special: I64 = (self.codes != IDLE).nonzero()[0]
        """Indices into `other` and `codes` of all but idle."""
        self._octets: dict[int, bytes] = {}
        self._terminators: I64 | None = None

    def bit_after(self, group: int) -> int:
        return self.first_bit + 5 * (group + 1)

    def octets(self, parity: int) -> bytes:
        """Nibbles joined in pairs that begin at even (0) or odd (1) groups; meaningless outside frames."""
        if parity not in self._octets:
            self._octets[parity] = join_nibbles(self.symbols[parity : self.count - (self.count - parity & 1)])
        return self._octets[parity]

    def terminator(self, group: int) -> int | None:
        """The first group at or after `group` that ends a frame: T of T R, I of I I, I of I J K."""
        if len(self.other) < 2:
            return None
        if self._terminators is None:
            first, second = self.codes[:-1], self.codes[1:]
            ends = first == ESD_T
            ends &= second == ESD_R
            idle = first == IDLE
            ends |= idle & (second == IDLE)
            adjacent = np.diff(self.other) == 1
            ends &= adjacent
            start = idle[:-1] & (second[:-1] == SSD_J) & (second[1:] == SSD_K)
            ends[:-1] |= start & adjacent[:-1] & adjacent[1:]
            self._terminators = self.other[:-1][ends]
        at = int(self._terminators.searchsorted(group))
        return int(self._terminators[at]) if at < len(self._terminators) else None

    def undecided(self) -> int:
        """Groups at the end that may belong to a terminator."""
        last = int(self.symbols[-1])
        if last in (ESD_T, IDLE):
            return 1
        return 2 if last == SSD_J and self.count > 1 and int(self.symbols[-2]) == IDLE else 0

    def regular_frames(self, group: int) -> tuple[list[int], list[int], int]:
        """Frames in a row from the first group after an SSD that are whole and have nothing but data inside.

        Returns the first groups after K, the groups of T, and the group after the last K that follows; every
        frame counted is followed by idle and the next SSD in the same phase.
        """
        at = int(self.other.searchsorted(group))
        first = int(self.special.searchsorted(at))
        index = self.special[first : first + 4 * _ROWS_AT_ONCE]
        rows = len(index) // 4
        if not rows:
            return [], [], group
        index = index[: 4 * rows].reshape(-1, 4)
        codes = self.codes[index]
        places = self.other[index]
        steps = np.diff(places, axis=1)
        bad = (codes != _REGULAR).any(axis=1)
        bad |= (steps[:, 0] != 1) | (steps[:, 1] < 2) | (steps[:, 2] != 1)
        bad |= index[:, 2] - index[:, 1] != steps[:, 1]
        bad[1:] |= index[1:, 0] != index[:-1, 3] + 1
        bad[0] |= bool(index[0, 0] != at)
        good = int(bad.argmax()) if bad.any() else rows
        if not good:
            return [], [], group
        after = (places[:good, 3] + 1).tolist()
        return [group, *after[:-1]], places[:good, 0].tolist(), after[-1]
