"""8B/10B against sources outside the project.

- encdec8b10b (PyPI): the same code by other hands; its symbols have bit a in bit 0, its disparity - is 0.
- IEEE 802.3 tables 36-1 and 36-2: code groups typed in.
- IEEE 802.3 clause 36.2.4.6: how one wrong line bit shows (the bounds are computed).
- Computed from the tables: the number of legal words, the hyperframe starts, what inversion does.
"""

from __future__ import annotations

import numpy as np
import pytest
from encdec8b10b import EncDec8B10B  # type: ignore[import-untyped]

from decoders.line_coding.code_8b10b import K_CODES, SymbolDecoder, SymbolEncoder, symbol_text, tables

CHARACTERS = [(octet, False) for octet in range(256)] + [(octet, True) for octet in K_CODES]


def _symbol(text: str) -> int:
    return int(text[::-1], 2)


@pytest.mark.parametrize("disparity", [0, 1])
def test_every_character_agrees_with_encdec8b10b(disparity: int) -> None:
    for octet, k in CHARACTERS:
        after, symbol = EncDec8B10B.enc_8b10b(octet, disparity, int(k))
        assert _symbol(symbol_text(octet, k, disparity)) == symbol
        assert EncDec8B10B.dec_8b10b(symbol) == (int(k), octet)
        encoder = SymbolEncoder(disparity)
        position = np.array([0]) if k else None
        assert encoder.encode(np.array([octet], np.uint8), position).tolist() == [symbol]
        assert encoder.disparity == after
        decoder = SymbolDecoder(disparity)
        block = decoder.decode(np.array([symbol], np.uint16))
        assert block.octets.tolist() == [octet]
        assert block.k_positions.tolist() == ([0] if k else [])
        assert not len(block.violations) and not len(block.disparity_errors)
        assert decoder.disparity == after


# IEEE 802.3 tables 36-1 (data) and 36-2 (special): octet, K, after RD -, after RD +.
PRINTED = (
    (0xBC, True, "0011111010", "1100000101"),  # K28.5
    (0xB5, False, "1010101010", "1010101010"),  # D21.5
    (0x4A, False, "0101010101", "0101010101"),  # D10.2
    (0x00, False, "1001110100", "0110001011"),  # D0.0
    (0x07, False, "1110001011", "0001110100"),  # D7.0
    (0xF1, False, "1000110111", "1000110001"),  # D17.7: alternate 7 after RD -
    (0xEB, False, "1101001110", "1101001000"),  # D11.7: alternate 7 after RD +
    (0xFF, False, "1010110001", "0101001110"),  # D31.7
    (0x50, False, "0110110101", "1001000101"),  # D16.2
    (0xC5, False, "1010010110", "1010010110"),  # D5.6
)


@pytest.mark.parametrize(("octet", "k", "minus", "plus"), PRINTED)
def test_printed_code_groups(octet: int, k: bool, minus: str, plus: str) -> None:
    assert symbol_text(octet, k, 0) == minus
    assert symbol_text(octet, k, 1) == plus


@pytest.mark.parametrize(
    ("disparity", "filler", "groups"),
    [
        (0, 0x50, "0011111010 1001000101 0110110101 1001000101"),
        (1, 0xC5, "1100000101 1010010110 0110110101 1001000101"),
    ],
)
def test_hyperframe_starts(disparity: int, filler: int, groups: str) -> None:
    """CPRI Table 9 (K28.5, D16.2 or D5.6, D16.2 ...) coded by hand from the tables of 802.3."""
    octets = np.array([0xBC, filler, 0x50, 0x50], np.uint8)
    encoder = SymbolEncoder(disparity)
    assert encoder.encode(octets, np.array([0])).tolist() == [_symbol(g) for g in groups.split()]
    assert encoder.disparity == 0


def test_legal_words() -> None:
    """Computed: 464 words stand in some column, 72 in both, 560 in none; each has one meaning."""
    columns: dict[str, set[int]] = {}
    meanings: dict[str, set[tuple[int, bool]]] = {}
    for disparity in (0, 1):
        for octet, k in CHARACTERS:
            text = symbol_text(octet, k, disparity)
            columns.setdefault(text, set()).add(disparity)
            meanings.setdefault(text, set()).add((octet, k))
    assert len(columns) == 464
    assert sum(len(c) == 2 for c in columns.values()) == 72
    assert all(len(m) == 1 for m in meanings.values())
    legal = tables().legal
    assert int((legal[0] | legal[1]).sum()) == 464
    assert int((legal[0] & legal[1]).sum()) == 72


def test_one_wrong_bit_is_one_or_two_events() -> None:
    """802.3 clause 36.2.4.6; no flip stays silent while 30 characters follow (bounds computed)."""
    random = np.random.default_rng(802)
    seen = {1: 0, 2: 0}
    for _ in range(40):
        octets = random.integers(0, 256, 4000, np.uint8)
        symbols = SymbolEncoder().encode(octets)
        where = np.arange(10, 3960, 60)
        clean = SymbolDecoder(0).decode(symbols)
        assert not len(clean.violations) and not len(clean.disparity_errors)
        symbols[where] ^= (1 << random.integers(0, 10, len(where))).astype(np.uint16)
        block = SymbolDecoder(0).decode(symbols)
        events = np.concatenate((block.violations, block.disparity_errors))
        for count in np.histogram(events, np.append(where, 4000))[0].tolist():
            seen[count] += 1  # KeyError: none, or more than two
    assert seen[1] > 20 * seen[2] > 0


def test_inverted_line_stays_legal() -> None:
    """Swapped wires: the complement of a legal word is legal in the other column (computed, all characters)."""
    random = np.random.default_rng(63)
    octets = random.integers(0, 256, 5000, np.uint8)
    octets[0], octets[1], octets[2] = 0xBC, 0x50, 0xC5
    symbols = SymbolEncoder().encode(octets, np.array([0])) ^ np.uint16(0x3FF)
    for start, at_most in ((None, 0), (0, 1), (1, 1)):
        block = SymbolDecoder(start).decode(symbols)
        assert not len(block.violations)
        assert len(block.disparity_errors) <= at_most
        assert block.k_positions.tolist() == [0]
        assert block.octets[:3].tolist() == [0xBC, 0xB0, 0x3A]
    mapping = {}
    for octet in range(256):
        text = symbol_text(octet, False, 0).translate(str.maketrans("01", "10"))
        block = SymbolDecoder(None).decode(np.array([_symbol(text)], np.uint16))
        mapping[octet] = int(block.octets[0])
        assert not len(block.violations) and not len(block.k_positions)
    assert sorted(mapping.values()) == list(range(256))  # one to one
    # Octets that tell of no inversion: versions 1 and 2, and 0.
    assert [mapping[o] for o in (0x00, 0x01, 0x02)] == [0x00, 0x01, 0x02]
    assert sum(mapping[hfn] > 149 for hfn in range(150)) == 68
    assert sum(mapping[hfn + 1] == mapping[hfn] + 1 for hfn in range(149)) == 33
