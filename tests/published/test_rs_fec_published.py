"""RS-FEC against sources outside the project.

- IEEE 802.3 clause 91.5.2.7 and the task-force slides gustlin_01_0312 and anslow_01a_0712: coefficients of the
  generator and symbols of check words; the values that the slides leave out were computed with the package galois and
  with a second encoder.
- reedsolo (PyPI): the same code by other hands.
- IEEE 802.3 clause 74.7.4.4.1: the rule of the PN sequence, written here bit by bit; the excerpts are from the one
  in CPRI V7.0 clause 6.10, as a public catalogue of error-correcting codes quotes it.
- IEEE 802.3 figure 49-7: the block types, of which no two have the same first nibble.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from reedsolo import RSCodec  # type: ignore[import-untyped]

from decoders.line_coding.fec_codewords import pn_5280
from decoders.line_coding.rs_fec import (
    add_parity,
    are_codewords,
    codewords_of,
    correct,
    generator_polynomial,
    symbols_of,
    syndromes,
)

RAMP = [(7 * i + 3) % 1024 for i in range(514)]
CHECK_WORDS = (
    # message, its parity, and which of it the slides print
    (
        [0] * 513 + [0x100],
        "3FB 209 0DE 048 18D 2D6 3E0 258 069 03D 352 285 008 30C",
        "anslow_01a_0712: first three and last",
    ),
    (
        list(range(1023, 509, -1)),
        "1C3 3B8 2A2 08C 21B 11F 1CC 1B6 22F 373 21E 375 3A2 0BF",
        "gustlin_01_0312: first three and last (451 952 674 .. 191)",
    ),
    (RAMP, "0E6 1D8 101 2DF 1C6 1DD 393 147 22C 2D7 2A9 17B 2EC 1E3", "galois and a second encoder"),
)


def _codewords(message: list[int]) -> np.ndarray:
    codewords = codewords_of(np.array([*message, *[0] * 14], np.uint16)[None])
    add_parity(codewords)
    return codewords


def test_generator_polynomial() -> None:
    """g14 to g0; the slides of gustlin_01_0312 give the last three."""
    expected = "001 388 006 2BD 020 290 39D 384 266 187 250 109 3B1 122 1B0"
    assert [f"{g:03X}" for g in generator_polynomial()] == expected.split()


@pytest.mark.parametrize(("message", "parity", "source"), CHECK_WORDS)
def test_check_words(message: list[int], parity: str, source: str) -> None:
    codewords = _codewords(message)
    assert [f"{s:03X}" for s in symbols_of(codewords)[0, 514:]] == parity.split(), source
    assert symbols_of(codewords)[0, :514].tolist() == message
    assert not syndromes(codewords).any()
    assert are_codewords(codewords).tolist() == [True]


@pytest.mark.parametrize("wrong", [0, 1, 7])
def test_up_to_seven_wrong_symbols_are_corrected(wrong: int) -> None:
    codewords = _codewords(RAMP)
    random = np.random.default_rng(3)
    symbols = symbols_of(codewords)
    symbols[0, random.choice(528, wrong, replace=False)] ^= random.integers(1, 1024, wrong).astype(np.uint16)
    got = correct(codewords_of(symbols))
    assert got.symbols.tolist() == [wrong]
    assert got.codewords.tobytes() == codewords.tobytes()


def test_eight_wrong_symbols_are_found_to_be_uncorrectable() -> None:
    """Symbols 0, 10 .. 70 XOR 155h; galois says the same of it."""
    symbols = symbols_of(_codewords(RAMP))
    symbols[0, :80:10] ^= 0x155
    damaged = codewords_of(symbols)
    got = correct(damaged)
    assert got.symbols.tolist() == [-1]
    assert got.codewords.tobytes() == damaged.tobytes()


def test_encoding_and_correction_agree_with_reedsolo() -> None:
    other = RSCodec(nsym=14, nsize=1023, fcr=0, prim=0x409, generator=2, c_exp=10)
    random = np.random.default_rng(91)
    message = random.integers(0, 1024, 514).tolist()
    ours = symbols_of(_codewords(message))[0]
    assert ours.tolist() == list(other.encode(message))
    for wrong in (1, 4, 7):
        damaged = ours.copy()
        damaged[random.choice(528, wrong, replace=False)] ^= random.integers(1, 1024, wrong).astype(np.uint16)
        theirs = list(other.decode(damaged.tolist())[1])
        assert (
            symbols_of(correct(codewords_of(damaged[None])).codewords)[0].tolist() == theirs == ours.tolist()
        )


def test_pn_5280() -> None:
    sequence = pn_5280()
    assert sequence[:16].tobytes() == bytes.fromhex("FF FF FF FF FF AA AA 02 00 80 AA AA AA AA 4A 55")
    assert sequence[-16:].tobytes() == bytes.fromhex("D0 1F 7A 30 28 2A FA 7D 67 FC D4 5D 16 DB 89 77")
    assert hashlib.sha256(sequence.tobytes()).hexdigest().startswith("52e439fabfb2f04e")
    bits = np.unpackbits(sequence, bitorder="little")
    assert bits.sum() == 2816
    state = [(57 - i) % 2 ^ 1 for i in range(58)]  # S57 = 1, then alternating
    expected = []
    for _ in range(5280):
        expected.append(state[38] ^ state[57])
        state = [expected[-1], *state[:57]]
    assert bits.tolist() == expected


def test_pn_5280_is_the_sequence_of_the_worked_example() -> None:
    """Excerpts of the table of CPRI V7.0 clause 6.10; the first bit is the top bit of a digit."""
    text = np.packbits(np.unpackbits(pn_5280(), bitorder="little")).tobytes().hex().upper()
    assert text.startswith(
        "FFFFFFFFFF55554000015555555552AAAAFFFFF0000155555FFFFEAAAAEAAAAAAAAA7FFFEFFFFE55554"
    )
    assert (
        "A7FE1EFFAAE0011400D27FE89001E1FFE5BFF9E7FFB3000AA0011FFFF9800097FFB4FFFF4FFF4C0013A0014BFFF44"
        in text
    )
    assert text.endswith("BB2795497ADCCF045B10EBC0BF85E0C14545FBEE63F2BBA68DB91EE")


def test_block_types_have_different_first_nibbles() -> None:
    """What makes the transcoder's missing nibble known again (802.3 clause 91.5.2.5)."""
    types = (0x1E, 0x2D, 0x33, 0x66, 0x55, 0x78, 0x4B, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF)
    assert len({kind & 15 for kind in types}) == len(types)
