"""Codewords of RS-FEC: 80 blocks in twenty 257-bit groups, parity, PN-5280 (CPRI V7.0 clause 6.9; 802.3 clause 91).

Four 66-bit blocks make a group: one bit for `all data` and 256 payload bits, or a 0, a bit for each header, and the
payloads without the second-sent nibble of the first control block's type octet, which the receiver finds again by
descrambling the nibble before it. Payload stays scrambled. Whether the five header bits are then XORed with
payload bits (clause 91.5.2.5, last step) is not known for this link, so both are here.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from .code_64b66b import CONTROL, DATA, PayloadScrambler
from .rs_fec import CODEWORD_OCTETS, add_parity

__all__ = [
    "BLOCKS_PER_CODEWORD",
    "GROUPS",
    "HEADER_BAD",
    "FecEncoder",
    "other_header_rule",
    "pack_codewords",
    "pn_5280",
    "transcode",
    "untranscode",
    "whole_groups",
]

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]

BLOCKS_PER_CODEWORD = 80
GROUPS = BLOCKS_PER_CODEWORD // 4
HEADER_BAD = 0b11
_WORDS = 83  # 64-bit words of a codeword
_TYPES = (0x1E, 0x2D, 0x33, 0x66, 0x55, 0x78, 0x4B, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF)
"""Block types of 802.3 figure 49-7: each has another first-sent (lower) nibble."""
_SECOND = np.zeros(16, np.uint64)  # second nibble by the first; no type has 0
for _type in _TYPES:
    _SECOND[_type & 15] = _type >> 4
_LEGAL = np.zeros(256, np.bool_)
_LEGAL[list(_TYPES)] = True
_NIBBLE, _OCTET = np.uint64(0xF), np.uint64(0xFF)
_GROUP = np.arange(GROUPS, dtype=np.uint64)
_SHIFT: U64 = (_GROUP + np.uint64(1))[:, None]  # payload bit 0 of group g is bit g + 1 of word 4 g


def _u(value: int) -> np.uint64:
    return np.uint64(value)


@cache
def pn_5280() -> U8:
    """The sequence that is XORed to each codeword, 660 octets, read-only.

    The generator of 802.3 clause 74.7.4.4.1 (1 + x^39 + x^58; S57 = 1, then alternating), run on to 5280 bits.
    """
    start = sum(1 << 63 - i for i in range(58) if (57 - i) % 2 == 0)  # S0 is the newest bit
    words = PayloadScrambler(start).scramble(np.zeros(_WORDS, np.uint64))
    out = words.astype("<u8").view(np.uint8)[:CODEWORD_OCTETS].copy()
    out.flags.writeable = False
    return out


def _words_of(codewords: U8) -> U64:
    """Codewords (n, 660) in words (n, 83)."""
    wide = np.zeros((len(codewords), 8 * _WORDS), np.uint8)
    wide[:, :CODEWORD_OCTETS] = codewords
    return wide.view("<u8").astype(np.uint64, copy=False)


def _first_controls(data_bits: U64) -> I64:
    """Number of the first control block, from four bits (1 = data); 0 where there is none."""
    inverted = ~data_bits & _NIBBLE
    lowest = inverted & (~inverted + _u(1))
    return np.array([0, 0, 1, 0, 2, 0, 0, 0, 3], np.int64)[lowest.astype(np.intp)]


def transcode(headers: U8, words: U64, *, header_xor: bool) -> U8:
    """Blocks (80 n headers and scrambled payload words) to codewords (n, 660) without parity and PN.

    Of a group with a bad header all four are marked bad: a 0 and four ones, which no good group has.
    """
    head = headers.reshape(-1, GROUPS, 4)
    w: U64 = words.reshape(-1, GROUPS, 4)
    x: U64 = w.copy()
    data = head == DATA
    flag = data.all(axis=2)
    n, g = np.nonzero(~flag)
    if len(n):
        bits = (data[n, g].astype(np.uint64) << np.arange(4, dtype=np.uint64)).sum(axis=1).astype(np.uint64)
        bits[((head[n, g] != DATA) & (head[n, g] != CONTROL)).any(axis=1)] = _NIBBLE
        first = _first_controls(bits)
        group: U64 = w[n, g]
        moved = group.copy()
        carry = bits
        for i in range(4):  # up to the first control block everything lies four bits later
            before, at = i < first, i == first
            moved[before, i] = group[before, i] << _u(4) | carry[before]
            kept = (group[at, i] & ~_OCTET) | (group[at, i] & _NIBBLE) << _u(4)
            moved[at, i] = kept | carry[at]
            carry = group[:, i] >> _u(60)
        x[n, g] = moved
    flags = flag.astype(np.uint64)
    if header_xor:
        flags ^= x[:, :, 0] >> _u(7) & _u(1)
        x[:, :, 0] ^= x[:, :, 0] >> _u(8) & _NIBBLE
    out = np.zeros((len(x), _WORDS), np.uint64)
    out[:, :80] = (x << _SHIFT).reshape(-1, 80)
    out[:, 1:81] |= (x >> (_u(64) - _SHIFT)).reshape(-1, 80)
    out[:, :80:4] |= flags << _GROUP
    return np.ascontiguousarray(out.astype("<u8").view(np.uint8).reshape(-1, 8 * _WORDS)[:, :CODEWORD_OCTETS])


def _header_bits(words: U64, header_xor: bool) -> U64:
    """The five header bits of every group (n, 20)."""
    first = words[:, :80:4]
    if header_xor:
        first = np.bitwise_xor(first, np.right_shift(first, _u(8)))
    bits: U64 = first >> _GROUP & _u(31)
    return bits


def whole_groups(codewords: U8, *, header_xor: bool) -> int:
    """Groups that say `all data`: nearly all with the header rule that holds, half of them with the other."""
    return int(np.count_nonzero(_header_bits(_words_of(codewords), header_xor) & _u(1)))


def other_header_rule(codewords: U8) -> U8:
    """Codewords (n, 660) without PN as a sender of the other header rule makes them, with their parity.

    The rules differ by the XOR of five header bits of each group with payload bits 8 to 12 (91.5.2.5, last step).
    """
    line = _words_of(codewords)
    line[:, :80:4] ^= np.right_shift(line[:, :80:4], _u(8)) & np.left_shift(_u(31), _GROUP)
    out = np.ascontiguousarray(line.astype("<u8").view(np.uint8).reshape(-1, 8 * _WORDS)[:, :CODEWORD_OCTETS])
    whole, rest = divmod(257 * GROUPS, 8)
    out[:, whole] &= (1 << rest) - 1
    out[:, whole + 1 :] = 0
    add_parity(out)
    return out


def untranscode(codewords: U8, previous: int | None, *, header_xor: bool) -> tuple[U8, U64]:
    """Codewords (n, 660) without PN to (headers, scrambled payload words), 80 n each.

    `previous` is the payload word before them, None at the start, where one nibble of a control block cannot be
    known. Headers are HEADER_BAD in a group that is marked bad, and in a block whose type does not exist.
    """
    line = _words_of(codewords)
    x = np.right_shift(line[:, :80].reshape(-1, GROUPS, 4), _SHIFT)
    x |= np.left_shift(line[:, 1:81].reshape(-1, GROUPS, 4), _u(64) - _SHIFT)
    bits = _header_bits(line, header_xor)
    if header_xor:
        x[:, :, 0] ^= x[:, :, 0] >> _u(8) & _NIBBLE
    headers = np.full(x.shape, DATA, np.uint8)
    n, g = np.nonzero((bits & _u(1)) == 0)
    words: U64 = x.reshape(-1)
    if not len(n):
        return headers.reshape(-1), words
    data_bits = bits[n, g] >> _u(1)
    head = np.where(data_bits[:, None] >> np.arange(4, dtype=np.uint64) & _u(1), DATA, CONTROL).astype(
        np.uint8
    )
    head[data_bits == _NIBBLE] = HEADER_BAD
    headers[n, g] = head
    first = _first_controls(data_bits)
    group = x[n, g]
    moved = group.copy()
    for i in range(3):
        before = i < first
        moved[before, i] = group[before, i] >> _u(4) | group[before, i + 1] << _u(60)
    x[n, g] = moved
    _put_nibbles(words, headers.reshape(-1), (n * GROUPS + g) * 4 + first, first, previous)
    return headers.reshape(-1), words


def _put_nibbles(words: U64, headers: U8, at: I64, first: I64, previous: int | None) -> None:
    """Complete the first control block of each group; `at` are their numbers, ascending.

    Those that are first in their group come last: the block before may be one that is completed here.
    """
    for now in (at[first > 0], at[first == 0]):
        if not len(now):
            continue
        before = words[now - 1]
        if now[0] == 0:
            before[0] = 0 if previous is None else previous
        word = words[now]
        kept = word >> _u(4) & _NIBBLE
        kind = kept ^ (before >> _u(25) ^ before >> _u(6)) & _NIBBLE
        second = _SECOND[kind.astype(np.intp)]
        lost = (second ^ before >> _u(29) ^ before >> _u(10)) & _NIBBLE
        words[now] = (word & ~_OCTET) | kept | lost << _u(4)
        unknown = now[second == 0]
        headers[unknown[unknown > 0] if previous is None else unknown] = HEADER_BAD
    if previous is None and len(at) and at[0] == 0 and headers[1] == CONTROL:
        words[0] = _first_word(int(words[0]), int(words[1]))


def _first_word(word: int, following: int) -> int:
    """The first block with those two bits of its unknown nibble with which the type behind it is one."""
    for bits in range(4):
        guess = word & ~0xC0 | bits << 6
        if _LEGAL[(following ^ guess >> 25 ^ guess >> 6) & 0xFF]:
            return guess
    return word


class FecEncoder:
    """Blocks to codewords; `header_xor` is the header rule, which a capture must be labelled with."""

    def __init__(self, *, header_xor: bool = False) -> None:
        self.header_xor = header_xor
        self._headers: U8 = np.zeros(0, np.uint8)
        self._words: U64 = np.zeros(0, np.uint64)

    @property
    def pending(self) -> int:
        """Blocks that wait for their codeword to be full, 0 to 79."""
        return len(self._headers)

    def encode(self, headers: U8, words: U64) -> U8:
        """Codewords (n, 660) as on the line, of the blocks that wait and these (scrambled payload words)."""
        headers = np.concatenate((self._headers, headers))
        words = np.concatenate((self._words, words))
        whole = len(headers) // BLOCKS_PER_CODEWORD * BLOCKS_PER_CODEWORD
        self._headers, self._words = headers[whole:], words[whole:]
        out = transcode(headers[:whole], words[:whole], header_xor=self.header_xor)
        add_parity(out)
        out ^= pn_5280()
        return out


def pack_codewords(codewords: U8, lead_bits: int = 0) -> U8:
    """Packed line bits of codewords (n, 660) behind `lead_bits` zeros; the last octet is filled up with zeros."""
    whole, shift = divmod(lead_bits, 8)
    octets = codewords.reshape(-1)
    packed = np.zeros(whole + len(octets) + (shift > 0), np.uint8)
    packed[whole : whole + len(octets)] = octets << np.uint8(shift)
    if shift:
        packed[whole + 1 :] |= octets >> np.uint8(8 - shift)
    return packed
