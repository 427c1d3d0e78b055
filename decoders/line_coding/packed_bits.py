"""Long bit strings in 64-bit words: bit n of the string is bit n mod 64 of word n // 64, as on the line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bit_words", "every_nth", "first_one", "later", "ones"]

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]


def bit_words(packed: U8, first_bit: int, bits: int) -> U64:
    """`bits` bits of packed octets from `first_bit` on as words (ceil(bits / 64),); zeros behind the end.

    Bit 0 of octet 0 is first. What lies behind `bits` in the last word is not defined.
    """
    count = (bits + 63) // 64
    start, shift = first_bit >> 3, first_bit & 7
    part = packed[start : start + 8 * count + 8]
    if len(part) < 8 * count + 8:
        part = np.concatenate((part, np.zeros(8 * count + 8 - len(part), np.uint8)))
    words = np.ndarray((count + 1,), np.dtype("<u8"), np.ascontiguousarray(part).data)
    if not shift:
        return words[:count].copy()
    out: U64 = words[:count] >> np.uint64(shift)
    out |= words[1:] << np.uint64(64 - shift)
    return out


def later(words: U64, bits: int) -> U64:
    """The string without its first `bits` bits, in as many words; zeros come behind."""
    whole, shift = divmod(bits, 64)
    out = np.zeros_like(words)
    rest = words[whole:]
    if not shift:
        out[: len(rest)] = rest
        return out
    np.right_shift(rest, np.uint64(shift), out=out[: len(rest)])
    if len(rest) > 1:
        out[: len(rest) - 1] |= rest[1:] << np.uint64(64 - shift)
    return out


def every_nth(words: U64, lag: int, count: int) -> U64:
    """A one where `count` ones stand `lag` bits apart, the first of them here."""
    run, have = words, 1
    while 2 * have <= count:
        run = run & later(run, lag * have)
        have *= 2
    return run & later(run, lag * (count - have)) if have < count else run


def ones(words: U64, limit: int) -> I64:
    """Places of the ones among the first `limit` bits, ascending."""
    at = np.flatnonzero(words)
    bits = np.unpackbits(words[at].astype("<u8").view(np.uint8).reshape(-1, 8), axis=1, bitorder="little")
    row, column = np.nonzero(bits)
    where: I64 = at[row] * 64 + column
    return where[: np.searchsorted(where, limit)]


def first_one(words: U64, limit: int) -> int | None:
    """Place of the first one among the first `limit` bits."""
    at = np.flatnonzero(words)[:1]
    where = ones(words[: int(at[0]) + 1], limit) if len(at) else at
    return int(where[0]) if len(where) else None
