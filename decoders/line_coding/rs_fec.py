"""RS(528,514) over GF(2^10), x^10 + x^3 + 1, roots a^0 to a^13 (CPRI V7.0 clause 6.9; 802.3 clause 91.5.2.7).

A codeword is 660 octets, 528 symbols of ten bits: the first bit is the least significant one of the first symbol,
which is the highest power. Syndromes and parity are linear in the codeword, so one look-up an octet, many codewords
at a time, gives all fourteen; only codewords with an error cost more.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..errors import LayoutError

__all__ = [
    "CODEWORD_BITS",
    "CODEWORD_OCTETS",
    "CORRECTABLE_SYMBOLS",
    "INFORMATION_BITS",
    "PARITY_SYMBOLS",
    "SYMBOLS",
    "Corrected",
    "add_parity",
    "are_codewords",
    "codewords_of",
    "correct",
    "generator_polynomial",
    "symbols_of",
    "syndromes",
]

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]

SYMBOL_BITS, SYMBOLS, PARITY_SYMBOLS = 10, 528, 14
CODEWORD_BITS = SYMBOL_BITS * SYMBOLS
CODEWORD_OCTETS = CODEWORD_BITS // 8
INFORMATION_BITS = CODEWORD_BITS - SYMBOL_BITS * PARITY_SYMBOLS
CORRECTABLE_SYMBOLS = PARITY_SYMBOLS // 2
FIRST_ROOT = 0
_FIELD_POLYNOMIAL = 0b100_0000_1001
_ORDER = 1023
_ZERO_LOG = 2 * _ORDER  # log of 0: every sum with it points at a zero of _exp
_CHUNK = 256  # codewords looked up at once
_PARITY_OCTET = INFORMATION_BITS // 8  # the octet whose upper four bits begin the parity


@cache
def _powers() -> tuple[I64, I64]:
    """(a^n for n in 0..2045 and zeros up to 4092, logarithms with _ZERO_LOG for 0)."""
    exp, log = np.zeros(4 * _ORDER + 1, np.int64), np.full(_ORDER + 1, _ZERO_LOG, np.int64)
    value = 1
    for n in range(_ORDER):
        exp[n] = exp[n + _ORDER] = value
        log[value] = n
        value <<= 1
        if value > _ORDER:
            value ^= _FIELD_POLYNOMIAL
    return exp, log


def _product(a: I64, b: I64) -> I64:
    exp, log = _powers()
    out: I64 = exp[log[a] + log[b]]
    return out


def _inverse(a: I64) -> I64:
    """1 / a, and something for 0."""
    exp, log = _powers()
    out: I64 = exp[(-log[a]) % _ORDER]
    return out


@cache
def generator_polynomial() -> tuple[int, ...]:
    """Coefficients g14 to g0 of the product of (x - a^j), j = 0 to 13."""
    exp, _ = _powers()
    g = np.ones(1, np.int64)
    for j in range(FIRST_ROOT, FIRST_ROOT + PARITY_SYMBOLS):
        g = np.append(g, 0) ^ np.append(0, _product(g, exp[j]))
    return tuple(g.tolist())


@dataclass(frozen=True, slots=True, eq=False)
class _Lookup:
    """What each octet of a codeword adds to fourteen symbols: [256 * position + octet].

    `most` holds symbols 0 to 5 and 6 to 11 in two 64-bit words, `rest` symbols 12 and 13.
    """

    most: NDArray[np.void]
    rest: NDArray[np.uint32]

    @classmethod
    def of_bits(cls, symbols: I64) -> _Lookup:
        """From what each of the 5280 bits adds, (5280, 14)."""
        bits = symbols.reshape(CODEWORD_OCTETS, 8, PARITY_SYMBOLS)
        shifts = np.arange(6) * SYMBOL_BITS
        most = np.zeros((CODEWORD_OCTETS, 256, 2), np.uint64)
        rest = np.zeros((CODEWORD_OCTETS, 256), np.uint32)
        for bit in range(8):
            half = 1 << bit
            for i in (0, 1):
                word = (bits[:, bit, 6 * i : 6 * i + 6] << shifts).sum(axis=1).astype(np.uint64)
                most[:, half : 2 * half, i] = most[:, :half, i] ^ word[:, None]
            word = (bits[:, bit, 12:] << shifts[:2]).sum(axis=1).astype(np.uint64)
            rest[:, half : 2 * half] = rest[:, :half] ^ word.astype(np.uint32)[:, None]
        return cls(most.reshape(-1).view("V16"), rest.reshape(-1))

    def sums(self, octets: U8) -> U64:
        """The fourteen symbols of each codeword (n, 660) in three words (n, 3)."""
        n = len(octets)
        out = np.empty((n, 3), np.uint64)
        size = min(n, _CHUNK)
        base = (np.arange(CODEWORD_OCTETS) * 256)[:, None]
        index = np.empty((CODEWORD_OCTETS, size), np.intp)
        most, rest = np.empty(index.shape, "V16"), np.empty(index.shape, np.uint32)
        for start in range(0, n, _CHUNK):
            part = octets[start : start + _CHUNK]
            if len(part) < size:
                size = len(part)
                index = np.empty((CODEWORD_OCTETS, size), np.intp)
                most, rest = np.empty(index.shape, "V16"), np.empty(index.shape, np.uint32)
            np.add(part.T, base, out=index)
            np.take(self.most, index, out=most, mode="clip")
            np.take(self.rest, index, out=rest, mode="clip")
            pairs = most.view(np.uint64).reshape(CODEWORD_OCTETS, -1)
            out[start : start + size, :2] = np.bitwise_xor.reduce(pairs, axis=0).reshape(size, 2)
            out[start : start + size, 2] = np.bitwise_xor.reduce(rest, axis=0)
        return out


def _symbols_in(words: U64) -> I64:
    """Fourteen symbols (n, 14) of the words of `_Lookup.sums`."""
    shifts = np.arange(6, dtype=np.uint64) * np.uint64(SYMBOL_BITS)
    parts = [words[:, i, None] >> shifts for i in range(3)]
    return (np.concatenate(parts, axis=1)[:, :PARITY_SYMBOLS] & np.uint64(_ORDER)).astype(np.int64)


def _bit_values(symbols: I64) -> I64:
    """From what a 1 in each symbol adds (528, 14) to what each bit adds (5280, 14)."""
    exp, _ = _powers()
    return _product(symbols[:, None, :], exp[:SYMBOL_BITS][None, :, None]).reshape(
        CODEWORD_BITS, PARITY_SYMBOLS
    )


@cache
def _syndrome_lookup() -> _Lookup:
    exp, _ = _powers()
    power = np.arange(SYMBOLS - 1, -1, -1)[:, None]
    root = FIRST_ROOT + np.arange(PARITY_SYMBOLS)
    return _Lookup.of_bits(_bit_values(exp[power * root % _ORDER]))


@cache
def _parity_lookup() -> _Lookup:
    """Remainders of x^527 to x^14 by the generator; parity bits add nothing."""
    g = np.array(generator_polynomial()[1:], np.int64)
    remainders = np.zeros((SYMBOLS, PARITY_SYMBOLS), np.int64)
    remainder = g
    for i in range(SYMBOLS - PARITY_SYMBOLS - 1, -1, -1):
        remainders[i] = remainder
        remainder = np.append(remainder[1:], 0) ^ _product(g, remainder[:1])
    return _Lookup.of_bits(_bit_values(remainders))


def _check(codewords: U8) -> None:
    if codewords.ndim != 2 or codewords.shape[1] != CODEWORD_OCTETS:
        raise LayoutError(f"codewords have shape (n, {CODEWORD_OCTETS}), not {codewords.shape}")


def symbols_of(codewords: U8) -> U16:
    """Symbols (n, 528) of codewords (n, 660)."""
    _check(codewords)
    five = codewords.reshape(-1, 5).astype(np.uint64)
    word = five[:, 0].copy()
    for i in range(1, 5):
        word |= five[:, i] << np.uint64(8 * i)
    shifts = np.arange(4, dtype=np.uint64) * np.uint64(SYMBOL_BITS)
    return (word[:, None] >> shifts & np.uint64(_ORDER)).astype(np.uint16).reshape(-1, SYMBOLS)


def codewords_of(symbols: U16) -> U8:
    """Codewords (n, 660) of symbols (n, 528)."""
    four = symbols.reshape(-1, 4).astype(np.uint64)
    word = four[:, 0].copy()
    for i in range(1, 4):
        word |= four[:, i] << np.uint64(SYMBOL_BITS * i)
    octets = word.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :5]
    return np.ascontiguousarray(octets).reshape(-1, CODEWORD_OCTETS)


def syndromes(codewords: U8) -> I64:
    """Values at a^0 to a^13 of codewords (n, 660), (n, 14)."""
    _check(codewords)
    return _symbols_in(_syndrome_lookup().sums(codewords))


def are_codewords(codewords: U8) -> NDArray[np.bool_]:
    """Whether all fourteen syndromes are 0, (n,)."""
    _check(codewords)
    clean: NDArray[np.bool_] = (_syndrome_lookup().sums(codewords) == 0).all(axis=1)
    return clean


def add_parity(codewords: U8) -> None:
    """Write the parity of codewords (n, 660) behind their 5140 information bits, in place."""
    _check(codewords)
    a, b, c = _parity_lookup().sums(codewords).T
    u = np.uint64
    first, second, third = a | b << u(60), b >> u(4) | c << u(56), c >> u(8)
    out = np.empty((len(codewords), 3), np.uint64)
    out[:, 0] = first << u(4)
    out[:, 1] = second << u(4) | first >> u(60)
    out[:, 2] = third << u(4) | second >> u(60)
    octets = out.astype("<u8").view(np.uint8).reshape(-1, 24)[:, : CODEWORD_OCTETS - _PARITY_OCTET]
    codewords[:, _PARITY_OCTET] &= 0x0F
    codewords[:, _PARITY_OCTET] |= octets[:, 0]
    codewords[:, _PARITY_OCTET + 1 :] = octets[:, 1:]


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """Codewords (n, 660) with up to seven wrong symbols each put right, and how many there were.

    `symbols` int64 (n,): 0 clean, 1 to 7 corrected, -1 not correctable (the codeword is as received).
    """

    codewords: U8
    symbols: I64


def correct(codewords: U8) -> Corrected:
    """Find and correct the wrong symbols of received codewords (n, 660); clean ones are not copied."""
    _check(codewords)
    sums = _syndrome_lookup().sums(codewords)
    symbols = np.zeros(len(codewords), np.int64)
    hurt = np.flatnonzero(sums.any(axis=1))
    if not len(hurt):
        return Corrected(codewords, symbols)
    codewords = codewords.copy()
    s = _symbols_in(sums[hurt])
    single, power = _single_errors(s)
    rows, powers, values = hurt[single], power[single], s[single, 0]
    symbols[rows] = 1
    many = hurt[~single]
    if len(many):
        count, row, at, value = _many_errors(s[~single])
        symbols[many] = count
        rows, powers, values = np.append(rows, many[row]), np.append(powers, at), np.append(values, value)
    bit = SYMBOL_BITS * (SYMBOLS - 1 - powers)
    wrong = values << (bit & 7)
    flat = codewords.reshape(-1)
    place = rows * CODEWORD_OCTETS + (bit >> 3)
    np.bitwise_xor.at(flat, place, (wrong & 0xFF).astype(np.uint8))
    np.bitwise_xor.at(flat, place + 1, (wrong >> 8).astype(np.uint8))
    return Corrected(codewords, symbols)


def _single_errors(s: I64) -> tuple[NDArray[np.bool_], I64]:
    """Which syndromes (n, 14) are of one wrong symbol, and its power: each is the one before times a^power."""
    _, log = _powers()
    ratio = np.diff(log[s], axis=1) % _ORDER
    power = ratio[:, 0]
    return (s > 0).all(axis=1) & (ratio == power[:, None]).all(axis=1) & (power < SYMBOLS), power


def _locators(s: I64) -> tuple[I64, I64]:
    """Berlekamp-Massey, many at a time: (error locator polynomials (n, 15) from x^0 on, their lengths (n,))."""
    n = len(s)
    locator = np.zeros((n, PARITY_SYMBOLS + 1), np.int64)
    locator[:, 0] = 1
    other, length = locator.copy(), np.zeros(n, np.int64)
    for k in range(PARITY_SYMBOLS):
        terms = _product(locator[:, : k + 1], s[:, k::-1])
        difference = np.bitwise_xor.reduce(terms, axis=1)
        other[:, 1:] = other[:, :-1].copy()
        other[:, 0] = 0
        longer = (difference > 0) & (2 * length <= k)
        changed = locator ^ _product(other, difference[:, None])
        other[longer] = _product(locator[longer], _inverse(difference[longer])[:, None])
        length[longer] = k + 1 - length[longer]
        locator = changed
    return locator, length


def _many_errors(s: I64) -> tuple[I64, I64, I64, I64]:
    """(wrong symbols of each or -1 (n,); row, power and value of each wrong symbol that can be corrected)."""
    exp, log = _powers()
    locator, length = _locators(s)
    can = np.flatnonzero((length <= CORRECTABLE_SYMBOLS) & ~locator[:, CORRECTABLE_SYMBOLS + 1 :].any(axis=1))
    coefficients = log[locator[can]]
    powers = np.arange(SYMBOLS)
    found = np.ones((len(can), SYMBOLS), np.int64)
    for i in range(1, CORRECTABLE_SYMBOLS + 1):
        found ^= exp[coefficients[:, i, None] + (-i * powers) % _ORDER]
    row, power = np.nonzero(found == 0)
    right = np.bincount(row, minlength=len(can)) == length[can]
    row, power = row[right[row]], power[right[row]]
    count = np.full(len(s), -1, np.int64)
    count[can[right]] = length[can[right]]

    # Forney: X * omega(1/X) / locator'(1/X)
    inverse = (-power) % _ORDER
    part, lines = locator[can][row], s[can][row]
    omega, slope = np.zeros(len(row), np.int64), np.zeros(len(row), np.int64)
    for i in range(CORRECTABLE_SYMBOLS):
        term = np.bitwise_xor.reduce(_product(part[:, : i + 1], lines[:, i::-1]), axis=1)
        omega ^= exp[log[term] + i * inverse % _ORDER]
    for i in range(1, CORRECTABLE_SYMBOLS + 1, 2):
        slope ^= exp[log[part[:, i]] + (i - 1) * inverse % _ORDER]
    value = _product(exp[power], _product(omega, _inverse(slope)))
    return count, can[row], power, value
