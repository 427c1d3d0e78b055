"""Scalar reference of the line code: 8B/10B words one at a time, and a stream of received characters.

IEEE 802.3 clause 36.2.4: sub-tables, running disparity rules and code violations. It is the yardstick of the
batch decoders, so it shares no code with them; it never looks for word alignment.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["DISPARITY", "K_FLAG", "VIOLATION", "Character", "Characters", "decode_symbols", "symbol_words"]

Character = tuple[int, int, int, int]
"""(octet, K flag, code violation, disparity error); the last three are 0 or 1."""
K_FLAG, VIOLATION, DISPARITY = 1, 2, 4


# Bits a b c d e i of D.0 to D.31 with running disparity negative before them (Table 36-1).
_SIX = (
    "100111 011101 101101 110001 110101 101001 011001 111000 "
    "111001 100101 010101 110100 001101 101100 011100 010111 "
    "011011 100011 010011 110010 001011 101010 011010 111010 "
    "110011 100110 010110 110110 001110 101110 011110 101011"
).split()
_SIX_K28 = "001111"


# Bits f g h j of D.x.0 to D.x.7 with running disparity negative before them; A7 is the other D.x.7.
_FOUR = "1011 1001 0101 1100 1101 1010 0110 1110".split()
_FOUR_A7 = "0111"
_SPECIALS = ((28, range(8)), (23, (7,)), (27, (7,)), (29, (7,)), (30, (7,)))


def _complement(bits: str) -> str:
    return "".join("1" if bit == "0" else "0" for bit in bits)


def _column(bits: str, rd: int) -> str:
    """The sub-block for running disparity `rd`: complemented at + if unbalanced, or 111000 / 1100."""
    balanced = bits.count("1") * 2 == len(bits)
    return _complement(bits) if rd > 0 and (not balanced or bits in ("111000", "1100")) else bits


def _after_block(bits: str, rd: int) -> int:
    ones = bits.count("1")
    if ones * 2 != len(bits):
        return 1 if ones * 2 > len(bits) else -1
    return {"000111": 1, "111000": -1, "0011": 1, "1100": -1}.get(bits, rd)


def _after_word(word: str, rd: int) -> int:
    return _after_block(word[6:], _after_block(word[:6], rd))


def _data_word(octet: int, rd: int) -> str:
    x, y = octet & 31, octet >> 5
    six = _column(_SIX[x], rd)
    middle = _after_block(six, rd)
    four = _FOUR[y]
    if y == 7 and x in ((17, 18, 20) if middle < 0 else (11, 13, 14)):
        four = _FOUR_A7
    return six + _column(four, middle)


def _special_word(x: int, y: int, rd: int) -> str:
    six = _SIX_K28 if x == 28 else _SIX[x]
    four = _FOUR_A7 if y == 7 else _FOUR[y]
    word = six + _column(four, _after_block(six, -1))
    return word if rd < 0 else _complement(word)


def symbol_words() -> dict[tuple[int, int, int], str]:
    """Every legal word as its bits a to j: (octet, K flag, running disparity -1 or +1) -> word."""
    words = {}
    for rd in (-1, 1):
        for octet in range(256):
            words[octet, 0, rd] = _data_word(octet, rd)
        for x, ys in _SPECIALS:
            for y in ys:
                words[x | y << 5, 1, rd] = _special_word(x, y, rd)
    return words


def _decode_table() -> tuple[list[dict[int, tuple[Character, int]]], list[int]]:
    """For each running disparity a word's meaning and the disparity after; and each word's only column."""
    meaning: dict[int, dict[str, tuple[int, int]]] = {-1: {}, 1: {}}
    for (octet, k, rd), bits in symbol_words().items():
        meaning[rd][bits] = (octet, k)
    tables: list[dict[int, tuple[Character, int]]] = [{}, {}]
    only = [0] * 1024
    for symbol in range(1024):
        bits = "".join(str(symbol >> i & 1) for i in range(10))
        here = [rd for rd in (-1, 1) if bits in meaning[rd]]
        only[symbol] = here[0] if len(here) == 1 else 0
        for rd in (-1, 1):
            character: Character = (0, 0, 1, 0)
            if rd in here:
                character = (*meaning[rd][bits], 0, 0)
            elif here:
                character = (*meaning[-rd][bits], 0, 1)
            tables[rd > 0][symbol] = (character, _after_word(bits, rd))
    return tables, only


_TABLES, _ONLY_COLUMN = _decode_table()


def decode_symbols(symbols: Sequence[int], rd: int | None = None) -> list[Character]:
    """Decode 10-bit symbols (bit 0 = a) one by one.

    `rd` is the running disparity before the first (-1 or +1); None takes the column of the first symbol that
    is legal in one column only. A word of neither column is octet 0 with a code violation; a word of the
    other column only is decoded, with a disparity error. The disparity follows the received word always.
    """
    if rd is None:
        rd = next((_ONLY_COLUMN[s] for s in symbols if _ONLY_COLUMN[s]), -1)
    out = []
    for symbol in symbols:
        character, rd = _TABLES[rd > 0][symbol]
        out.append(character)
    return out


@dataclass(frozen=True, slots=True)
class Characters:
    """A stream as parallel arrays: octets, and flags (bit 0 K, bit 1 violation, bit 2 disparity error).

    Flags of 64B/66B are in `block_code`. `codewords`: (first octet, symbols corrected or -1) of those of RS-FEC.
    """

    octets: bytes
    flags: bytes
    codewords: Sequence[tuple[int, int]] = ()

    @classmethod
    def from_octets(cls, data: bytes) -> Characters:
        """Octets with no flags: to be received with `flags_known=False`."""
        return cls(bytes(data), bytes(len(data)))

    @classmethod
    def from_flagged(cls, data: bytes) -> Characters:
        """Little-endian 16-bit words: octet, then K, violation, disparity error in bits 8, 9, 10."""
        return cls(bytes(data[0 : len(data) & ~1 : 2]), bytes(b & 7 for b in data[1::2]))

    @classmethod
    def from_symbols(cls, data: bytes) -> Characters:
        """Little-endian 16-bit words with bit 0 = a to bit 9 = j."""
        symbols = [data[i] | (data[i + 1] & 3) << 8 for i in range(0, len(data) - 1, 2)]
        return cls.from_tuples(decode_symbols(symbols))

    @classmethod
    def from_bits(cls, data: bytes, slip_bits: int) -> Characters:
        """Packed line bits, the first in bit 0; the first symbol's bit a is line bit `slip_bits`."""
        line = int.from_bytes(data, "little") >> slip_bits
        packed = line.to_bytes(len(data) + 1, "little")
        symbols = []
        for i in range(0, 8 * len(data) - slip_bits - 9, 10):
            at = i >> 3
            symbols.append((packed[at] | packed[at + 1] << 8) >> (i & 7) & 0x3FF)
        return cls.from_tuples(decode_symbols(symbols))

    @classmethod
    def from_tuples(cls, characters: Iterable[Character]) -> Characters:
        octets, flags = bytearray(), bytearray()
        for octet, k, violation, disparity in characters:
            octets.append(octet)
            flags.append((k and K_FLAG) | (violation and VIOLATION) | (disparity and DISPARITY))
        return cls(bytes(octets), bytes(flags))
