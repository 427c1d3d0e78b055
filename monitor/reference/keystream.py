"""Scalar reference of the scrambling of protocol version 2 (options 5, 6, 7): the seed, one hyperframe at a time.

CPRI figure 40: c[i+31] = c[i] + c[i+3] from the seed c[0..30], begun anew with each hyperframe at its first bit;
Z.0.0 and Z.0.1 are plain. The octets from Z.0.2 on read 50h, so what is on the line there gives 31 bits of c, and
the others must fit. It is the yardstick of the batch decoder, so it shares no code with it.
"""

from __future__ import annotations

__all__ = ["VersionTwo", "fits_some_seed", "keystream_bits", "seed_of"]

_SEED_BITS, _STEP = 31, 28
_PLAIN_BITS = 16
_FILLER = 0x50


def _bits_after(register: int, count: int) -> int:
    """`count` bits of c, of which `register` holds the first 31; bit n is c[n]."""
    out, have = register, _SEED_BITS
    while have < count:
        more = (out >> have - _SEED_BITS ^ out >> have - _STEP) & (1 << _STEP) - 1
        out |= more << have
        have += _STEP
    return out & (1 << count) - 1


def keystream_bits(seed: int, count: int) -> int:
    """c[0] to c[count - 1], c[0] in bit 0."""
    return _bits_after(seed, count)


def _known(first_word: bytes) -> int:
    """Bits of c from c[16] on that the octets from Z.0.2 on give away."""
    known = bytes(octet ^ _FILLER for octet in first_word[2:])
    return int.from_bytes(known, "little")


def fits_some_seed(first_word: bytes) -> bool:
    """Whether the octets of Z.0 from Z.0.2 on are 50h under the keystream of one seed, or of none."""
    known, count = _known(first_word), 8 * (len(first_word) - 2)
    return _bits_after(known & (1 << _SEED_BITS) - 1, count) == known


def seed_of(first_word: bytes) -> int:
    """The seed that the first known octets give, whether the others fit it or not."""
    return _seed_before(_known(first_word) & (1 << _SEED_BITS) - 1, _PLAIN_BITS)


def _seed_before(register: int, bits: int) -> int:
    """The register so many steps earlier: c[i] = c[i+31] + c[i+3]."""
    for _ in range(bits):
        register = (register << 1 | (register >> 30 ^ register >> 2) & 1) & (1 << _SEED_BITS) - 1
    return register


class VersionTwo:
    """Holds the seed from hyperframe to hyperframe; `seed` is that of the last one, None for version 1."""

    def __init__(self, octets: int, version_at: int) -> None:
        """`octets` of a hyperframe; octet `version_at` is Z.2.0."""
        self.seed: int | None = None
        self._held = 0
        self._two = False
        self._octets = octets
        self._version_at = version_at
        self._streams: dict[int, bytes] = {}

    def _stream(self, seed: int) -> bytes:
        if seed not in self._streams:
            if len(self._streams) > 4:
                self._streams.clear()
            self._streams[seed] = keystream_bits(seed, 8 * self._octets).to_bytes(self._octets, "little")
        return self._streams[seed]

    def _version(self, hyperframe: bytes, seed: int) -> int:
        return hyperframe[self._version_at] ^ self._stream(seed)[self._version_at]

    def descramble(self, hyperframe: bytes, word_octets: int) -> tuple[bytes, bool, bool]:
        """(plain hyperframe, whether its seed is a new one, whether no seed fits) of the next hyperframe."""
        first_word = hyperframe[:word_octets]
        fresh = seed_of(first_word)
        reliable = fits_some_seed(first_word)
        if reliable and fresh != self._held and self._version(hyperframe, fresh) != 2:
            # Wrong bits among the first 31 may be another seed's: the one under which Z.2.0 reads as before holds.
            held_reads = self._version(hyperframe, self._held)
            reliable = not (held_reads == 2 or (self._held == 0 and held_reads == 1))
        if reliable:
            self._held = fresh
        used = self._held
        version = self._version(hyperframe, used)
        if used or version in (1, 2):
            self._two = used != 0 or version == 2
        before, self.seed = self.seed, used if self._two else None
        changed = before is not None and self.seed is not None and before != self.seed
        plain = hyperframe
        if used:
            line = int.from_bytes(hyperframe, "little") ^ int.from_bytes(self._stream(used), "little")
            plain = hyperframe[:2] + line.to_bytes(self._octets, "little")[2:]
        return plain, changed, self._two and not reliable
