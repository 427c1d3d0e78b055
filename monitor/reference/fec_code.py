"""Scalar reference of RS-FEC: RS(528,514), PN-5280, groups of 257 bits, and where codewords begin.

CPRI V7.0 clause 6.9; IEEE 802.3 clauses 91.5.2 (groups, code) and 74.7.4.4.1 (PN generator). Wrong symbols are found
the way of Peterson, Gorenstein and Zierler: the largest system of syndromes that has a solution, the roots of its
polynomial by trying every place, and a second system for the values. It is the yardstick of the batch decoders, so it
shares no code with them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .block_code import CONTROL_HEADER, DATA_HEADER, BlockRun

__all__ = [
    "CODEWORD_BITS",
    "PN",
    "blocks_of_codewords",
    "codeword_lock_losses",
    "corrected",
    "find_codeword",
    "syndromes_of",
]

CODEWORD_BITS = 5280
_SYMBOLS, _PARITY, _WRONG = 528, 14, 7
_BAD = 3
Ints = NDArray[np.int64]
Known = dict[int, tuple[int, int]]
"""By its first bit: a codeword as a whole number, and symbols corrected or -1."""


def _field() -> tuple[list[int], dict[int, int]]:
    """Powers of a with a^10 = a^3 + 1, and their exponents."""
    powers, value = [], 1
    for _ in range(1023):
        powers.append(value)
        value <<= 1
        if value & 1024:
            value ^= 0b100_0000_1001
    return powers, {power: n for n, power in enumerate(powers)}


_POWERS, _EXPONENT = _field()
_POWER_ARRAY = np.array(_POWERS, np.int64)
_EXPONENT_ARRAY = np.array([0] + [_EXPONENT[value] for value in range(1, 1024)], np.int64)


def _times(a: int, b: int) -> int:
    return _POWERS[(_EXPONENT[a] + _EXPONENT[b]) % 1023] if a and b else 0


def _over(a: int, b: int) -> int:
    return _POWERS[(_EXPONENT[a] - _EXPONENT[b]) % 1023] if a else 0


def _generator_bits(count: int) -> int:
    """PN of clause 74.7.4.4.1: a register of 58 bits, the oldest 1, then in turn; each new bit is S38 xor S57."""
    register = [(57 - i) % 2 == 0 for i in range(58)]
    out = 0
    for n in range(count):
        new = register[38] ^ register[57]
        out |= new << n
        register = [new, *register[:57]]
    return out


PN = _generator_bits(CODEWORD_BITS)
"""The bits that stand on every codeword, the first in bit 0."""
_PN_BITS = np.unpackbits(np.frombuffer(PN.to_bytes(660, "little"), np.uint8), bitorder="little")


def _symbols(codewords: bytes) -> Ints:
    """Symbols (n, 528) of codewords without PN; symbol 0 is the first sent and the highest power."""
    bits = np.unpackbits(np.frombuffer(codewords, np.uint8), bitorder="little")
    return bits.reshape(-1, _SYMBOLS, 10).astype(np.int64) @ (1 << np.arange(10))


def _syndromes(symbols: Ints) -> Ints:
    """Values at a^0 to a^13, (n, 14)."""
    power = np.arange(_SYMBOLS - 1, -1, -1)
    exponents = _EXPONENT_ARRAY[symbols]
    columns = []
    for root in range(_PARITY):
        terms = np.where(symbols > 0, _POWER_ARRAY[(exponents + root * power) % 1023], 0)
        columns.append(np.bitwise_xor.reduce(terms, axis=1))
    return np.stack(columns, axis=1)


def syndromes_of(symbols: Sequence[int]) -> list[int]:
    """Values at a^0 to a^13 of one codeword, 528 symbols, the highest power first."""
    values: list[int] = _syndromes(np.array([symbols], np.int64))[0].tolist()
    return values


def _solved(rows: list[list[int]]) -> list[int] | None:
    """Unknowns of a square system whose rows end with the right side; None where it is singular."""
    size = len(rows)
    rows = [row[:] for row in rows]
    for i in range(size):
        pivot = next((j for j in range(i, size) if rows[j][i]), None)
        if pivot is None:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        head = rows[i][i]
        rows[i] = [_over(value, head) for value in rows[i]]
        for j in range(size):
            factor = rows[j][i]
            if j != i and factor:
                rows[j] = [a ^ _times(factor, b) for a, b in zip(rows[j], rows[i], strict=True)]
    return [row[size] for row in rows]


def corrected(syndromes: Sequence[int]) -> dict[int, int] | None:
    """{power: value} of the wrong symbols that make these syndromes; None where they are more than seven."""
    if not any(syndromes):
        return {}
    for count in range(_WRONG, 0, -1):
        system = [[*syndromes[i : i + count], syndromes[i + count]] for i in range(count)]
        locator = _solved(system)  # of x^count down to x^1
        if locator is not None:
            break
    else:
        return None
    places = _roots(locator)
    if len(places) != count:
        return None
    values = _solved([[_POWERS[p * i % 1023] for p in places] + [syndromes[i]] for i in range(count)])
    if values is None:
        return None
    wrong = dict(zip(places, values, strict=True))
    for root in range(_PARITY):
        total = 0
        for place, value in wrong.items():
            total ^= _times(value, _POWERS[place * root % 1023])
        if total != syndromes[root]:
            return None
    return wrong


def _roots(locator: list[int]) -> list[int]:
    """Places p at which 1 + L1 x + ... + Ln x^n is 0 for x = a^-p, tried one and all."""
    places = np.arange(_SYMBOLS)
    total = np.ones(_SYMBOLS, np.int64)
    for i, coefficient in enumerate(reversed(locator), 1):
        if coefficient:
            total ^= _POWER_ARRAY[(_EXPONENT[coefficient] - i * places) % 1023]
    found: list[int] = np.flatnonzero(total == 0).tolist()
    return found


def _without_pn(data: bytes, first_bit: int, count: int) -> bytes:
    line = int.from_bytes(data, "little") >> first_bit
    mask = (1 << CODEWORD_BITS) - 1
    out = bytearray()
    for number in range(count):
        start = number * CODEWORD_BITS
        out += (line >> start & mask ^ PN).to_bytes(660, "little")
    return bytes(out)


def _decoded(data: bytes, first_bit: int, count: int, known: Known) -> list[tuple[int, int]]:
    """(codeword as a whole number, symbols corrected or -1) of `count` codewords from `first_bit` on."""
    numbers = [n for n in range(count) if first_bit + n * CODEWORD_BITS not in known]
    if numbers:
        first, last = numbers[0], numbers[-1]
        plain = _without_pn(data, first_bit + first * CODEWORD_BITS, last + 1 - first)
        for number, syndromes in enumerate(_syndromes(_symbols(plain)).tolist(), first):
            at = 660 * (number - first)
            codeword = int.from_bytes(plain[at : at + 660], "little")
            wrong = corrected(syndromes)
            for power, value in (wrong or {}).items():
                codeword ^= value << 10 * (_SYMBOLS - 1 - power)
            known[first_bit + number * CODEWORD_BITS] = codeword, -1 if wrong is None else len(wrong)
    return [known[first_bit + n * CODEWORD_BITS] for n in range(count)]


def find_codeword(data: bytes, first_bit: int, good: int) -> int | None:
    """The first bit, from `first_bit` on, of a codeword without an error that `good` - 1 correctable ones follow."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")[first_bit:]
    starts = len(bits) - good * CODEWORD_BITS + 1
    if starts <= 0:
        return None
    # Sums over every tenth bit give the sum of all symbols, which is the syndrome of a^0.
    tenths = np.concatenate((bits, np.zeros(-len(bits) % 10, np.uint8))).reshape(-1, 10)
    sums = np.concatenate((np.zeros((1, 10), np.uint8), np.bitwise_xor.accumulate(tenths, axis=0))).reshape(
        -1
    )
    pn = np.bitwise_xor.reduce(_PN_BITS.reshape(-1, 10), axis=0)
    fits = np.ones(starts, np.bool_)
    for k in range(10):
        column = sums[k + CODEWORD_BITS : k + CODEWORD_BITS + starts] ^ sums[k : k + starts]
        fits &= column == pn[k]
    for at in np.flatnonzero(fits).tolist():
        codeword = (bits[at : at + CODEWORD_BITS] ^ _PN_BITS).reshape(1, _SYMBOLS, 10)
        if _syndromes(codeword.astype(np.int64) @ (1 << np.arange(10))).any():
            continue
        if all(n >= 0 for _, n in _decoded(data, first_bit + at, good, {})):
            return first_bit + int(at)
    return None


_TYPES = (0x1E, 0x2D, 0x33, 0x4B, 0x55, 0x66, 0x78, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF)
_BY_FIRST_NIBBLE = {kind & 15: kind >> 4 for kind in _TYPES}
_WORD = (1 << 64) - 1


def _group(bits: int, header_xor: bool) -> tuple[list[int], list[int], int | None]:
    """(headers, payload words, first control block) of 257 bits; the missing nibble of that block reads 0."""
    if header_xor:
        bits ^= bits >> 8 & 31
    if bits & 1:
        return [DATA_HEADER] * 4, [bits >> 1 + 64 * i & _WORD for i in range(4)], None
    data = [bits >> i & 1 for i in range(1, 5)]
    rest = bits >> 5
    if all(data):
        first: int | None = None
        headers = [_BAD] * 4
    else:
        first = data.index(0)
        headers = [DATA_HEADER if flag else CONTROL_HEADER for flag in data]
    words = []
    for i in range(4):
        if i == (first or 0):
            low = rest & 15
            words.append(low | (rest >> 4 & (1 << 56) - 1) << 8)
            rest >>= 60
        else:
            words.append(rest & _WORD)
            rest >>= 64
    return headers, words, 0 if first is None else first


def all_data_groups(codewords: Sequence[int], header_xor: bool) -> int:
    """Groups that say that all their blocks are data."""
    count = 0
    for codeword in codewords:
        for g in range(20):
            bits = codeword >> 257 * g
            count += (bits ^ (bits >> 8 & 1 if header_xor else 0)) & 1
    return count


def blocks_of_codewords(
    data: bytes, first_bit: int, header_xor: bool | None, good: int, known: Known | None = None
) -> tuple[BlockRun, bool]:
    """Blocks of all whole codewords from `first_bit` on, and the header rule (found where it is None).

    `known` are codewords of these data that were corrected before, and takes those that are now.
    """
    count = (8 * len(data) - first_bit) // CODEWORD_BITS
    decoded = _decoded(data, first_bit, count, {} if known is None else known)
    if header_xor is None:
        head = [codeword for codeword, _ in decoded[:good]]
        header_xor = all_data_groups(head, True) > all_data_groups(head, False)
    headers: list[int] = []
    words: list[int] = []
    numbers: list[tuple[int, int]] = []
    for number, (codeword, symbols) in enumerate(decoded):
        if symbols:
            numbers.append((80 * number, symbols))
        for g in range(20):
            head_bits, group, first = _group(codeword >> 257 * g & (1 << 257) - 1, header_xor)
            before = words[-1] if words else None
            words += group
            headers += head_bits
            if first is not None:
                _complete(headers, words, len(words) - 4 + first, before if first == 0 else words[first - 5])
        if symbols < 0:
            headers[-80:] = [_BAD] * 80
    _complete_first(headers, words)
    payload = b"".join(word.to_bytes(8, "little") for word in words)
    return BlockRun(bytes(headers), payload, numbers), header_xor


def _complete(headers: list[int], words: list[int], at: int, before: int | None) -> None:
    """Put the nibble that was left out of block `at` there: the partner of the first one, scrambled."""
    known = before or 0
    kept = (words[at] ^ known >> 25 ^ known >> 6) & 15
    second = _BY_FIRST_NIBBLE.get(kept)
    if second is None and not (before is None and at == 0):
        headers[at] = _BAD
    lost = ((second or 0) ^ known >> 29 ^ known >> 10) & 15
    words[at] |= lost << 4


def _complete_first(headers: list[int], words: list[int]) -> None:
    """What is missing of the very first block: its last two bits are those with which the next type is one."""
    if len(headers) < 2 or headers[0] == DATA_HEADER or headers[1] != CONTROL_HEADER:
        return
    for guess in range(4):
        first = words[0] & ~0xC0 | guess << 6
        if (words[1] ^ first >> 25 ^ first >> 6) & 0xFF in _TYPES:
            words[0] = first
            return


def codeword_lock_losses(codewords: Sequence[tuple[int, int]], count: int, good: int, bad: int) -> list[int]:
    """First blocks of the codewords, of `count` in all, that lose lock: the `bad`-th in a row not correctable."""
    uncorrected = {block for block, symbols in codewords if symbols < 0}
    lost, locked, run = [], True, 0
    for block in range(0, 80 * count, 80):
        is_bad = block in uncorrected
        run = run + 1 if is_bad is locked else 0
        if locked and run == bad:
            lost.append(block)
            locked, run = False, 0
        elif not locked and run == good:
            locked, run = True, 0
    return lost
