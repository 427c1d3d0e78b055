"""8B/10B line code: characters to ten-bit symbols and back, running disparity, comma search.

IEEE 802.3 clause 36.2.4 (the code groups and the disparity rules), used by CPRI options 1 to 7
(clause 4.2.7.8).
A symbol is a 16-bit word whose bit 0 is `a`, first on the line, and whose bit 9 is `j`.

The bulk decoder looks symbols up in pairs. What a symbol does to the running disparity is "set it to plus",
"set it to minus" or "keep it", so the disparity before every pair is the carry of one binary addition of two
bit planes: 64 pairs an instruction, exact on a damaged line too. Nothing here loops over symbols, except on
the few that are wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8, U16
from ..errors import LayoutError

__all__ = [
    "K28_5",
    "K28_5_SYMBOLS",
    "K_CODES",
    "CodedBlock",
    "SymbolDecoder",
    "SymbolEncoder",
    "find_sync_symbols",
    "pack_symbols",
    "symbol_text",
    "symbols_at",
]

K28_5 = 0xBC
K_CODES = (0x1C, 0x3C, 0x5C, 0x7C, 0x9C, 0xBC, 0xDC, 0xFC, 0xF7, 0xFB, 0xFD, 0xFE)
"""The twelve special characters: K28.0 to K28.7, K23.7, K27.7, K29.7, K30.7 (802.3 table 36-2)."""
CHUNK_SYMBOLS = 1 << 18
"""Symbols decoded at a time: what keeps every plane in the second-level cache."""


# Sub-blocks abcdei and fghj as they follow negative running disparity (802.3 tables 36-1a..e).
_SIX = (
    "100111 011101 101101 110001 110101 101001 011001 111000 111001 100101 010101 110100 001101 101100 "
    "011100 010111 011011 100011 010011 110010 001011 101010 011010 111010 110011 100110 010110 110110 "
    "001110 101110 011110 101011"
).split()
_SIX_K28 = "001111"
_FOUR = ["1011", "1001", "0101", "1100", "1101", "1010", "0110", "1110"]
_FOUR_ALTERNATE_7 = "0111"
_K28_FOUR = ["0100", "1001", "0101", "0011", "0010", "1010", "0110", "1000"]
"""fghj of K28.0 to K28.7 after negative disparity; positive complements the whole group (table 36-2)."""
_K_X7_FOUR = "1000"

_KEEP, _MINUS, _PLUS = 0, 1, 2
_SET_PLUS, _SET_MINUS, _BAD_MINUS, _BAD_PLUS, _HAS_K = 0x01, 0x02, 0x04, 0x08, 0x10


def _complement(text: str) -> str:
    return text.translate(str.maketrans("01", "10"))


def _disparity_after(block: str, disparity: int | None) -> int | None:
    """Running disparity (0 minus, 1 plus) at the end of a sub-block: the rule of 802.3 clause 36.2.4.4."""
    ones = block.count("1")
    if 2 * ones != len(block):
        return int(2 * ones > len(block))
    return {"000111": 1, "111000": 0, "0011": 1, "1100": 0}.get(block, disparity)


def symbol_text(octet: int, k: bool, disparity: int) -> str:
    """The code group of a character as `abcdeifghj` after running disparity 0 (minus) or 1 (plus)."""
    x, y = octet & 31, octet >> 5
    if k:
        if octet not in K_CODES:
            raise LayoutError(f"there is no special character for octet 0x{octet:02X}")
        text = _SIX_K28 + _K28_FOUR[y] if x == 28 else _SIX[x] + _K_X7_FOUR
        return _complement(text) if disparity else text
    six = _SIX[x]
    if disparity and (six.count("1") != 3 or x == 7):
        six = _complement(six)
    middle = _disparity_after(six, disparity)
    alternate = y == 7 and x in ((11, 13, 14) if middle else (17, 18, 20))
    four = _FOUR_ALTERNATE_7 if alternate else _FOUR[y]
    if middle and (four.count("1") != 2 or y == 3):
        four = _complement(four)
    return six + four


def _text_to_symbol(text: str) -> int:
    return int(text[::-1], 2)


K28_5_SYMBOLS = (_text_to_symbol("0011111010"), _text_to_symbol("1100000101"))
"""K28.5 after negative and after positive disparity, bit 0 = a."""


@dataclass(frozen=True, slots=True)
class _Tables:
    encode: U16  # [disparity << 9 | k << 8 | octet] -> symbol
    flips: U8  # [k << 8 | octet] -> 1 where the character changes the disparity
    octet: U8  # [symbol] -> octet (0 for a violation)
    k: NDArray[np.bool_]
    effect: U8  # [symbol] -> _KEEP, _MINUS or _PLUS
    legal: NDArray[np.bool_]  # [disparity, symbol]


@cache
def tables() -> _Tables:
    """The code as arrays, built once from the sub-blocks."""
    encode = np.zeros(1024, np.uint16)
    flips = np.zeros(512, np.uint8)
    octets = np.zeros(1024, np.uint8)
    k_flags = np.zeros(1024, np.bool_)
    legal = np.zeros((2, 1024), np.bool_)
    effect = np.zeros(1024, np.uint8)
    for symbol in range(1024):
        text = f"{symbol:010b}"[::-1]
        after = _disparity_after(text[6:], _disparity_after(text[:6], None))
        effect[symbol] = _KEEP if after is None else (_PLUS if after else _MINUS)
    for disparity in (0, 1):
        for k, octet in [(0, o) for o in range(256)] + [(1, o) for o in K_CODES]:
            text = symbol_text(octet, bool(k), disparity)
            symbol = _text_to_symbol(text)
            encode[disparity << 9 | k << 8 | octet] = symbol
            octets[symbol] = octet
            k_flags[symbol] = bool(k)
            legal[disparity, symbol] = True
            after = _disparity_after(text[6:], _disparity_after(text[:6], disparity))
            flips[k << 8 | octet] = after != disparity
    return _Tables(encode, flips, octets, k_flags, effect, legal)


@cache
def _pair_tables() -> tuple[U16, U8]:
    """[second << 10 | first] -> the two octets; and what the pair does to the disparity and needs of it."""
    t = tables()
    first, second = np.arange(1024)[None, :], np.arange(1024)[:, None]
    effect = np.where(t.effect[second] == _KEEP, t.effect[first], t.effect[second])
    flags = np.where(effect == _PLUS, _SET_PLUS, 0) | np.where(effect == _MINUS, _SET_MINUS, 0)
    for disparity, bad in ((0, _BAD_MINUS), (1, _BAD_PLUS)):
        middle = np.where(t.effect[first] == _KEEP, disparity, t.effect[first] == _PLUS)
        good = t.legal[disparity, first] & t.legal[middle.astype(np.intp), second]
        flags = flags | np.where(good, 0, bad)
    flags = flags | np.where(t.k[first] | t.k[second], _HAS_K, 0)
    octets = t.octet[first].astype(np.uint16) | t.octet[second].astype(np.uint16) << np.uint16(8)
    return octets.astype(np.uint16).reshape(-1), flags.astype(np.uint8).reshape(-1)


@dataclass(frozen=True, slots=True)
class CodedBlock:
    """Decoded characters: dense octets, and where the few special ones are (positions from 0 in this block).

    `octets` uint8 (n,); `k_positions`, `violations`, `disparity_errors` int64, ascending. An octet whose
    symbol is a violation reads 0. A position is in one of the two error lists at most.
    """

    octets: U8
    k_positions: I64
    violations: I64
    disparity_errors: I64


_NOTHING: I64 = np.zeros(0, np.int64)


class SymbolDecoder:
    """Symbols of one lane to characters; carries the running disparity (802.3 clause 36.2.4.4..6).

    A symbol in neither column is a code violation; one that is only in the other column is a disparity error.
    After either the disparity follows the symbol received. The first symbol that stands in one column only
    decides the disparity to begin with.
    """

    def __init__(self, disparity: int | None = None) -> None:
        self.disparity = disparity
        self._scratch = np.empty(CHUNK_SYMBOLS // 2, np.uint32)
        self._first = np.empty(CHUNK_SYMBOLS // 2, np.uint32)
        self._flags = np.empty(CHUNK_SYMBOLS // 2, np.uint8)
        self._pairs = np.empty(CHUNK_SYMBOLS // 2, np.intp)

    def decode(self, symbols: U16) -> CodedBlock:
        """Characters of `symbols` (uint16, shape (n,), bit 0 = a)."""
        n = len(symbols)
        octets = np.empty(n, np.uint8)
        found: list[tuple[I64, I64, I64]] = []
        even = n & ~1
        for start in range(0, even, CHUNK_SYMBOLS):
            part = symbols[start : min(start + CHUNK_SYMBOLS, even)]
            words = np.ascontiguousarray(part).view("<u4")
            if np.bitwise_or.reduce(words) & np.uint32(0xFC00FC00):
                # Not ten bits: put a symbol there that is never legal.
                words = np.where(part > 1023, 0, part).astype(np.uint16).view("<u4")
            pairs = self._pairs[: len(words)]
            second = self._scratch[: len(words)]
            np.right_shift(words, np.uint32(6), out=second)
            second &= np.uint32(0xFFC00)
            np.bitwise_and(words, np.uint32(0x3FF), out=self._first[: len(words)])
            np.bitwise_or(second, self._first[: len(words)], out=pairs)
            found.append(self._decode_pairs(pairs, octets[start : start + len(part)], start))
        if n & 1:
            found.append(self._decode_last(int(symbols[-1]), octets, n - 1))
        return _block(octets, found)

    def decode_bits(self, packed: U8, first_bit: int, count: int) -> CodedBlock:
        """`count` characters of packed line bits (bit 0 of octet 0 is first), starting at `first_bit`."""
        octets = np.empty(count, np.uint8)
        found: list[tuple[I64, I64, I64]] = []
        quads = count & ~3
        for start in range(0, quads, CHUNK_SYMBOLS):
            size = min(CHUNK_SYMBOLS, quads - start)
            pairs = self._pairs[: size // 2]
            _pairs_from_bits(packed, first_bit + 10 * start, pairs)
            found.append(self._decode_pairs(pairs, octets[start : start + size], start))
        if count > quads:
            rest = self.decode(symbols_at(packed, first_bit + 10 * quads, count - quads))
            octets[quads:] = rest.octets
            found.append((rest.k_positions + quads, rest.violations + quads, rest.disparity_errors + quads))
        return _block(octets, found)

    def _decode_last(self, symbol: int, octets: U8, position: int) -> tuple[I64, I64, I64]:
        t = tables()
        symbol = symbol if symbol < 1024 else 0
        octets[position] = t.octet[symbol]
        where = np.array([position], np.int64)
        minus, plus = bool(t.legal[0, symbol]), bool(t.legal[1, symbol])
        if self.disparity is None and minus != plus:
            self.disparity = int(plus)
        legal = minus or plus if self.disparity is None else (minus, plus)[self.disparity]
        if t.effect[symbol] != _KEEP:
            self.disparity = int(t.effect[symbol] == _PLUS)
        return (
            where if t.k[symbol] else _NOTHING,
            where if not (minus or plus) else _NOTHING,
            where if (minus or plus) and not legal else _NOTHING,
        )

    def _start_disparity(self, pairs: NDArray[np.intp]) -> int:
        """The disparity that the first symbol standing in one column only asks for."""
        if self.disparity is not None:
            return self.disparity
        t = tables()
        for start in range(0, len(pairs), 4096):
            part = pairs[start : start + 4096]
            symbols = np.stack((part & 1023, part >> 10), axis=1).reshape(-1)
            decided = np.flatnonzero(t.legal[0, symbols] != t.legal[1, symbols])
            if len(decided):
                return int(t.legal[1, symbols[decided[0]]])
        return 0

    def _decode_pairs(self, pairs: NDArray[np.intp], octets: U8, base: int) -> tuple[I64, I64, I64]:
        m = len(pairs)
        known = self.disparity is not None
        disparity = self._start_disparity(pairs)
        octet_pairs, needs = _pair_tables()
        np.take(octet_pairs, pairs, out=octets.view(np.uint16), mode="clip")
        flags = self._flags[:m]
        np.take(needs, pairs, out=flags, mode="clip")

        plus, minus = _plane(flags, _SET_PLUS), _plane(flags, _SET_MINUS)
        a = ~minus
        total = a + plus
        differ = a ^ plus  # "keep" bits: where a carry goes through
        carry = total ^ differ
        out = (plus | (differ & carry)) >> np.uint64(63)
        into = np.empty_like(out)
        into[0] = disparity
        into[1:] = out[:-1]
        through = np.flatnonzero(differ == np.uint64(0xFFFF_FFFF_FFFF_FFFF))
        for word in through.tolist():
            # Nothing in these 64 pairs sets the disparity (padding, or a constant neutral pattern).
            if word + 1 < len(into):
                into[word + 1] = into[word]
        carry = (total + into) ^ differ
        bad = (_plane(flags, _BAD_PLUS) & carry) | (_plane(flags, _BAD_MINUS) & ~carry)
        k = _plane(flags, _HAS_K)

        violations = disparity_errors = k_positions = _NOTHING
        if k.any():
            where = _ones(k, m)
            symbols = np.stack((pairs[where] & 1023, pairs[where] >> 10), axis=1)
            k_positions = (2 * where[:, None] + np.arange(2))[tables().k[symbols]] + base
        if bad.any():
            violations, disparity_errors = self._judge(pairs, _ones(bad, m), carry, base)
        last = (m - 1) >> 6
        bit = np.uint64((m - 1) & 63)
        effect = int(flags[-1])
        if effect & (_SET_PLUS | _SET_MINUS):
            self.disparity = int(bool(effect & _SET_PLUS))
        elif known or (plus.any() or minus.any()):
            self.disparity = int((carry[last] >> bit) & np.uint64(1))
        return k_positions, violations, disparity_errors

    @staticmethod
    def _judge(pairs: NDArray[np.intp], where: I64, carry: NDArray[np.uint64], base: int) -> tuple[I64, I64]:
        """Which symbols of the bad pairs are violations and which disparity errors."""
        t = tables()
        before = ((carry[where >> 6] >> (where & 63).astype(np.uint64)) & np.uint64(1)).astype(np.intp)
        symbols = np.stack((pairs[where] & 1023, pairs[where] >> 10), axis=1)
        effect = t.effect[symbols[:, 0]]
        middle = np.where(effect == _KEEP, before, effect == _PLUS).astype(np.intp)
        legal = t.legal[np.stack((before, middle), axis=1), symbols]
        known = t.legal[0, symbols] | t.legal[1, symbols]
        positions = 2 * where[:, None] + np.arange(2) + base
        return positions[~known], positions[known & ~legal]


def _plane(flags: U8, bit: int) -> NDArray[np.uint64]:
    """One flag of each pair as a bit plane, 64 pairs a word; what is beyond the end reads 0."""
    packed = np.packbits(flags & np.uint8(bit), bitorder="little")
    if len(packed) & 7:
        packed = np.concatenate((packed, np.zeros(-len(packed) & 7, np.uint8)))
    return packed.view("<u8")


def _ones(plane: NDArray[np.uint64], limit: int) -> I64:
    """Positions of the ones of a bit plane, ascending."""
    words = np.flatnonzero(plane)
    bits = np.unpackbits(plane[words].view(np.uint8).reshape(-1, 8), axis=1, bitorder="little")
    row, column = np.nonzero(bits)
    where = words[row] * 64 + column
    return where[where < limit]


def _block(octets: U8, found: list[tuple[I64, I64, I64]]) -> CodedBlock:
    if not found:
        return CodedBlock(octets, _NOTHING, _NOTHING, _NOTHING)
    k, violations, disparity_errors = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return CodedBlock(octets, k, violations, disparity_errors)


def _pairs_from_bits(packed: U8, first_bit: int, out: NDArray[np.intp]) -> None:
    """Pairs of symbols (20 bits each) from packed bits into `out`, an even number of them."""
    start, shift = first_bit >> 3, first_bit & 7
    quads = len(out) // 2
    if start + 5 * (quads - 1) + 8 > len(packed):  # the last window would reach beyond the end
        packed = np.concatenate((packed[start:], np.zeros(8, np.uint8)))
        start = 0
    windows = np.ndarray((quads,), np.dtype("<u8"), packed.data, start, (5,))
    pairs = out.reshape(-1, 2).view(np.uint64)
    np.right_shift(windows, np.uint64(shift), out=pairs[:, 0])
    np.right_shift(pairs[:, 0], np.uint64(20), out=pairs[:, 1])
    out &= 0xFFFFF


def symbols_at(packed: U8, first_bit: int, count: int) -> U16:
    """`count` symbols (uint16, bit 0 = a) of packed line bits from `first_bit` on; any alignment."""
    bit = first_bit + 10 * np.arange(count, dtype=np.int64)
    part = packed[first_bit >> 3 : (first_bit + 10 * count + 7 >> 3)]
    padded = np.concatenate((part, np.zeros(3, np.uint8)))
    at = (bit >> 3) - (first_bit >> 3)
    window = padded[at].astype(np.uint32)
    for i in (1, 2):  # ten bits from bit 7 on reach into a third octet
        window |= padded[at + i].astype(np.uint32) << np.uint32(8 * i)
    ten: U16 = ((window >> (bit & 7).astype(np.uint32)) & np.uint32(0x3FF)).astype(np.uint16)
    return ten


def find_sync_symbols(packed: U8, first_bit: int, last_bit: int) -> I64:
    """Bit positions in [first_bit, last_bit) at which a whole K28.5 of either column stands, any alignment.

    K28.5 carries the comma 0011111 / 1100000, which no pair of other characters of this link contains
    (802.3 clause 36.2.4.9; K28.7 is never sent).
    """
    last_bit = min(last_bit, 8 * len(packed) - 9)
    if last_bit <= first_bit:
        return _NOTHING
    start = first_bit >> 3
    part = np.concatenate((packed[start : (last_bit + 7 >> 3) + 2], np.zeros(2, np.uint8)))
    windows = part[:-2].astype(np.uint32)
    windows |= part[1:-1].astype(np.uint32) << np.uint32(8)
    windows |= part[2:].astype(np.uint32) << np.uint32(16)
    found = []
    for shift in range(8):
        ten = (windows >> np.uint32(shift)) & np.uint32(0x3FF)
        hits = np.flatnonzero((ten == K28_5_SYMBOLS[0]) | (ten == K28_5_SYMBOLS[1]))
        found.append(8 * (hits + start) + shift)
    where = np.sort(np.concatenate(found))
    inside: I64 = where[(where >= first_bit) & (where < last_bit)]
    return inside


class SymbolEncoder:
    """Characters of one lane to symbols; carries the running disparity (0 minus, the start, or 1 plus)."""

    def __init__(self, disparity: int = 0) -> None:
        self.disparity = disparity

    def encode(self, octets: U8, k_positions: I64 | None = None, inversions: I64 | None = None) -> U16:
        """Symbols (uint16, shape (n,)) of `octets` (uint8, shape (n,)).

        `k_positions` are special characters. At each of `inversions` the sender's running disparity is wrong
        from that character on: a deliberate fault, one disparity error at the receiver.
        """
        t = tables()
        index = octets.astype(np.uint16)
        if k_positions is not None and len(k_positions):
            index[k_positions] |= 256
            unknown = [int(o) for o in octets[k_positions] if int(o) not in K_CODES]
            if unknown:
                raise LayoutError(f"there is no special character for octet 0x{unknown[0]:02X}")
        if len(index) == 0:
            return np.zeros(0, np.uint16)
        flips = np.packbits(t.flips[index], bitorder="little")
        before = _parity_before(flips, self.disparity)
        if inversions is not None:
            for position in inversions:
                before[int(position) :] ^= 1
        before = before[: len(index)]
        self.disparity = int(before[-1] ^ t.flips[index[-1]])
        index |= before.astype(np.uint16) << np.uint16(9)
        symbols: U16 = t.encode[index]
        return symbols


def _parity_before(packed: U8, start: int) -> U8:
    """For each bit of `packed`: `start` XOR all bits before it, one octet a bit."""
    words = np.concatenate((packed, np.zeros(-len(packed) & 7, np.uint8))).view("<u8")
    prefix = words.copy()
    for step in (1, 2, 4, 8, 16, 32):
        prefix ^= prefix << np.uint64(step)
    carry = np.bitwise_xor.accumulate((prefix >> np.uint64(63)).astype(np.uint8))
    into = np.concatenate((np.zeros(1, np.uint8), carry[:-1])) ^ np.uint8(start)
    prefix = (prefix << np.uint64(1)) ^ (into.astype(np.uint64) * np.uint64(0xFFFF_FFFF_FFFF_FFFF))
    return np.unpackbits(prefix.view(np.uint8), bitorder="little")


def pack_symbols(symbols: U16, lead_bits: int = 0) -> U8:
    """Packed line bits of `symbols`, first on the line in bit 0 of octet 0, after `lead_bits` zeros.

    The last octet is filled up with zeros.
    """
    padded = np.zeros(-(-len(symbols) // 4) * 4, np.uint64)
    padded[: len(symbols)] = symbols
    quads = padded.reshape(-1, 4)
    words = quads[:, 0].copy()
    for i in (1, 2, 3):
        words |= quads[:, i] << np.uint64(10 * i)
    octets = np.ascontiguousarray(words.view(np.uint8).reshape(-1, 8)[:, :5]).reshape(-1)
    octets = octets[: (10 * len(symbols) + 7) // 8]
    if not lead_bits:
        return octets
    whole, shift = divmod(lead_bits, 8)
    wide = np.concatenate((octets, np.zeros(1, np.uint8))).astype(np.uint16) << np.uint16(shift)
    wide[1:] |= wide[:-1] >> 8
    out = np.concatenate((np.zeros(whole, np.uint8), (wide & 0xFF).astype(np.uint8)))
    return out[: (lead_bits + 10 * len(symbols) + 7) // 8]
