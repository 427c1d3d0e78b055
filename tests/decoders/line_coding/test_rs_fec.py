"""Correction of many codewords at a time, for every count of wrong symbols and every place."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.line_coding.rs_fec import add_parity, codewords_of, correct, generator_polynomial, symbols_of


def _codewords(n: int, seed: int = 0) -> np.ndarray:
    codewords = np.random.default_rng(seed).integers(0, 256, (n, 660), np.uint8)
    add_parity(codewords)
    return codewords


def test_every_count_of_wrong_symbols_side_by_side() -> None:
    random = np.random.default_rng(528)
    clean = _codewords(220)
    symbols, wrong = symbols_of(clean), np.arange(220) % 11
    for row, count in enumerate(wrong.tolist()):
        symbols[row, random.choice(528, count, replace=False)] ^= random.integers(1, 1024, count).astype(
            np.uint16
        )
    received = codewords_of(symbols)
    kept = received.copy()
    got = correct(received)
    assert got.symbols.tolist() == np.where(wrong > 7, -1, wrong).tolist()
    right = wrong <= 7
    assert (got.codewords[right] == clean[right]).all()
    assert (got.codewords[~right] == kept[~right]).all()
    assert (received == kept).all()


@pytest.mark.parametrize("count", [1, 2])
def test_every_symbol(count: int) -> None:
    clean = _codewords(528)
    symbols = symbols_of(clean)
    for i in range(count):
        symbols[np.arange(528), (np.arange(528) + 211 * i) % 528] ^= np.uint16(0x201 + i)
    got = correct(codewords_of(symbols))
    assert (got.symbols == count).all()
    assert (got.codewords == clean).all()


def test_errors_outside_the_codeword_are_not_corrected() -> None:
    """The code is shortened from 1023 symbols: a locator that points before symbol 0 is no correction."""
    symbols = np.zeros((1, 528), np.uint16)
    symbols[0, :3] = 5, 0x3A, 0x77
    random = np.random.default_rng(9)
    received = random.integers(0, 256, (300, 660), np.uint8)
    got = correct(received)
    assert (got.symbols == -1).all() and (got.codewords == received).all()


def test_clean_codewords_are_not_copied() -> None:
    clean = _codewords(3)
    assert correct(clean).codewords is clean
    assert correct(clean[:0]).symbols.tolist() == []


def _times(a: int, b: int) -> int:
    """Product in GF(2^10) with x^10 + x^3 + 1."""
    out = 0
    while b:
        out ^= a if b & 1 else 0
        a = a << 1 ^ (0x409 if a & 0x200 else 0)
        b >>= 1
    return out


@pytest.mark.parametrize("power", [527, 528, 700, 1022])
def test_one_wrong_symbol_before_the_first_is_none_of_the_codeword(power: int) -> None:
    """The remainder of 5 x^power has the syndromes of one wrong symbol there; the codeword ends at x^527."""
    g = generator_polynomial()
    remainder = [0] * 13 + [5]
    for _ in range(power):
        lead = remainder[0]
        remainder = [a ^ _times(lead, b) for a, b in zip([*remainder[1:], 0], g[1:], strict=True)]
    received = codewords_of(np.array([0] * 514 + remainder, np.uint16)[None])
    got = correct(received)
    assert got.symbols.tolist() == ([1] if power < 528 else [-1])
    symbols = symbols_of(got.codewords)[0]
    assert symbols.tolist() == ([5, *[0] * 513, *remainder] if power < 528 else [0] * 514 + remainder)
