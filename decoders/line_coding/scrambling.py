"""Scrambling of protocol version 2 at options 5, 6 and 7 (CPRI figure 40; additive, 1 + x^28 + x^31).

The keystream of a hyperframe is c[i+31] = c[i] XOR c[i+3] from the seed c[0..30]; c[0] stands at the first bit of
the hyperframe, and Z.0.0 and Z.0.1 are sent plain. The seed is sent nowhere: it follows from the octets from Z.0.2
on, which are known to be 50h. A seed of 0 leaves everything plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import LayoutError, SettingsError
from ..linerates import LineRateOption

__all__ = [
    "MAXIMUM_SEED",
    "PLAIN_OCTETS",
    "SCRAMBLED_OPTIONS",
    "Descrambled",
    "HyperframeDescrambler",
    "keystream",
    "keystream_octets",
    "known_seeds",
    "scramble",
    "seed_after",
]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

SCRAMBLED_OPTIONS = ("5", "6", "7")
SEED_BITS, TAP = 31, 28
MAXIMUM_SEED = (1 << SEED_BITS) - 1
PLAIN_OCTETS = 2
"""Z.0.0 and Z.0.1."""
_FILLER = 0x50
_X_VERSION = 2


def _check(option: LineRateOption) -> None:
    if option.name not in SCRAMBLED_OPTIONS:
        raise SettingsError(f"there is no scrambling at option {option.name}, only at options 5, 6 and 7")


@lru_cache(maxsize=4)
def keystream(seed: int, octets: int) -> U8:
    """The first 8 * `octets` bits c[0], c[1], ... in octets, c[0] in bit 0 of the first; read-only.

    SettingsError for a seed outside 0 to 2^31 - 1.
    """
    if not 0 <= seed <= MAXIMUM_SEED:
        raise SettingsError(f"seed {seed} is not a number of 31 bits (0 to {MAXIMUM_SEED})")
    word, length = seed, SEED_BITS
    while length < 8 * SEED_BITS:  # 28 more bits at a time
        word |= ((word >> (length - SEED_BITS) ^ word >> (length - TAP)) & ((1 << TAP) - 1)) << length
        length += TAP
    out = np.empty(max(octets, SEED_BITS), np.uint8)
    out[:SEED_BITS] = np.frombuffer(
        (word & ((1 << 8 * SEED_BITS) - 1)).to_bytes(SEED_BITS, "little"), np.uint8
    )
    at, scale = SEED_BITS, 1
    while at < len(out):
        # Squares of the polynomial: the law holds for lags of 31 and 28 octets, and of twice as many.
        while SEED_BITS * 2 * scale <= at:
            scale *= 2
        size = min(TAP * scale, len(out) - at)
        before, tap = at - SEED_BITS * scale, at - TAP * scale
        np.bitwise_xor(out[before : before + size], out[tap : tap + size], out=out[at : at + size])
        at += size
    out = out[:octets].copy()
    out.flags.writeable = False
    return out


def seed_after(seed: int, bits: int) -> int:
    """The register `bits` steps later (earlier if negative): what a sender with another origin calls the seed."""
    for _ in range(bits):
        seed = seed >> 1 | ((seed ^ seed >> SEED_BITS - TAP) & 1) << SEED_BITS - 1
    for _ in range(-bits):
        seed = seed << 1 & MAXIMUM_SEED | (seed >> SEED_BITS - 1 ^ seed >> SEED_BITS - TAP - 1) & 1
    return seed


@lru_cache(maxsize=16)
def _unit_octets(index: int) -> U8:
    """Octet `index` of the keystream of each seed with a single one, (31,)."""
    return np.array([keystream.__wrapped__(1 << bit, index + 1)[index] for bit in range(SEED_BITS)], np.uint8)


def keystream_octets(seeds: I64, index: int) -> U8:
    """Octet `index` of the keystream of many seeds, same shape; it is linear in the seed."""
    out = np.zeros(seeds.shape, np.uint8)
    for bit, octet in enumerate(_unit_octets(index).tolist()):
        out ^= ((seeds >> bit) & 1).astype(np.uint8) * np.uint8(octet)
    return out


def known_seeds(first_words: U8) -> tuple[I64, NDArray[np.bool_]]:
    """(seeds, whether the seed fits all known octets) of the words Z.0 as on the line, (n, T/8); both (n,).

    The octets from Z.0.2 on must read 50h: the first 31 bits of them are the register, the others a check of it.
    LayoutError for words shorter than eight octets, which do not have 31 known bits and a check.
    """
    width = first_words.shape[1]
    if width < 8:
        raise LayoutError(f"a word of {width} octets has too few known bits for a seed; 8 are needed")
    bits = np.unpackbits(
        np.ascontiguousarray(first_words[:, PLAIN_OCTETS:]) ^ np.uint8(_FILLER), axis=1, bitorder="little"
    )
    fits = (bits[:, SEED_BITS:] == bits[:, :-SEED_BITS] ^ bits[:, SEED_BITS - TAP : -TAP]).all(axis=1)
    register = (bits[:, :SEED_BITS].astype(np.int64) << np.arange(SEED_BITS)).sum(axis=1)
    for _ in range(8 * PLAIN_OCTETS):  # back to the first bit of the hyperframe
        before = (register >> SEED_BITS - 1 ^ register >> SEED_BITS - TAP - 1) & 1
        register = register << 1 & MAXIMUM_SEED | before
    return register, fits


def scramble(hyperframes: U8, seeds: I64 | int) -> U8:
    """Hyperframes (n, 256, 16, T/8) or (n, octets) with the keystream of their seeds on them; a new array.

    The same again takes it off. `seeds`: one for all, or (n,).
    """
    n = len(hyperframes)
    out = np.empty(hyperframes.shape, np.uint8)
    lines, rows = out.reshape(n, -1), hyperframes.reshape(n, -1)
    each = np.broadcast_to(np.asarray(seeds, np.int64), (n,))
    edges = [0, *(np.flatnonzero(np.diff(each)) + 1).tolist(), n] if n else []
    for start, end in pairwise(edges):
        seed = int(each[start])
        if seed:
            np.bitwise_xor(rows[start:end], keystream(seed, lines.shape[1]), out=lines[start:end])
            lines[start:end, :PLAIN_OCTETS] = rows[start:end, :PLAIN_OCTETS]
        else:
            lines[start:end] = rows[start:end]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Descrambled:
    """Plain hyperframes in the shape they had (the same array where nothing is scrambled), and what was seen.

    `seeds` int64 (n,): the seed used, -1 where the hyperframe is not of version 2. `changed`, `unreliable`:
    indices of hyperframes with another seed than the one before, and with known octets that fit no seed.
    """

    octets: U8
    seeds: I64
    changed: I64
    unreliable: I64


class HyperframeDescrambler:
    """Finds the seed of each hyperframe in its known octets, and takes the scrambling off.

    A seed that fits holds from its hyperframe on; where none fits, the last one is used. A wrong bit in Z.0.4 or
    Z.0.5 can make another seed fit at option 5: of two, the one with which Z.2.0 reads as it should is right.
    """

    def __init__(self, option: LineRateOption) -> None:
        _check(option)
        self._version_at = _X_VERSION * option.basic_frame_octets
        self.seed: int | None = None
        """Seed of the last hyperframe; None before the first one that fits, and where there is no scrambling."""
        self._held = 0
        self._version_2 = False

    def descramble(self, hyperframes: U8) -> Descrambled:
        """Take the next hyperframes, (n, 256, 16, T/8) as on the line."""
        n = len(hyperframes)
        if not n:
            none = np.zeros(0, np.int64)
            return Descrambled(hyperframes, none, none, none)
        fresh, fits = known_seeds(hyperframes[:, 0, 0])
        version = hyperframes[:, _X_VERSION, 0, 0]
        used = self._choose(fresh, fits, version)
        plain_version = version ^ keystream_octets(used, self._version_at)
        is_2 = self._is_version_2(used, plain_version)
        seeds = np.where(is_2, used, -1)
        before = np.concatenate(([self.seed if self.seed is not None else -1], seeds[:-1]))
        changed = np.flatnonzero((before != seeds) & (before >= 0) & (seeds >= 0))
        unreliable = np.flatnonzero(is_2 & ~(fits & (fresh == used)))
        self._held, self._version_2 = int(used[-1]), bool(is_2[-1])
        self.seed = int(seeds[-1]) if is_2[-1] else None
        octets = scramble(hyperframes, used) if used.any() else hyperframes
        return Descrambled(octets, seeds, changed, unreliable)

    def _is_version_2(self, used: I64, version: U8) -> NDArray[np.bool_]:
        """Whether each hyperframe is of version 2; with seed 0 that is what Z.2.0 says, or said last."""
        said = (used != 0) | (version == 1) | (version == 2)
        last = np.maximum.accumulate(np.where(said, np.arange(len(used)), -1))
        two = (used != 0) | (version == 2)
        return np.where(last >= 0, two[last], self._version_2)

    def _choose(self, fresh: I64, fits: NDArray[np.bool_], version: U8) -> I64:
        """The seed of each hyperframe: its own if it has one, else the one before."""
        if fits.all() and (fresh == self._held).all():
            return fresh
        known = version ^ keystream_octets(fresh, self._version_at)
        used = np.empty_like(fresh)
        held = self._held
        for i in range(len(fresh)):  # a step of a hyperframe; only where the seed is not steady
            seed = int(fresh[i])
            if fits[i] and seed != held and known[i] != 2:
                stays = int(version[i]) ^ int(keystream_octets(np.array([held]), self._version_at)[0])
                if stays == 2 or (stays == 1 and held == 0):
                    seed = held
            held = seed if fits[i] else held
            used[i] = held
        return used
