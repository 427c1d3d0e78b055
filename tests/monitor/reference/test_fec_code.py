"""RS-FEC of the reference against independent vectors, and against the batch decoders on random damage.

- IEEE 802.3 clause 91.5.2.7, slides gustlin_01_0312 and anslow_01a_0712: check words (what the slides leave out was
  worked out with the package galois).
- IEEE 802.3 clause 74.7.4.4.1 for PN-5280; the excerpts are those of CPRI V7.0 clause 6.10, as a public catalogue of
  error-correcting codes quotes it.
- reedsolo (PyPI): the same code by other hands.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reedsolo import RSCodec  # type: ignore[import-untyped]

from decoders.line_coding.code_64b66b import BlockEncoder
from decoders.line_coding.fec_codewords import FecEncoder, pack_codewords
from decoders.line_coding.fec_reader import CodewordLock, FecBitReader, FecSettings
from decoders.line_coding.line_octets import Place, joined
from monitor.reference.block_code import BAD_HEADER, BAD_TYPE, characters_of_blocks
from monitor.reference.fec_code import (
    PN,
    blocks_of_codewords,
    codeword_lock_losses,
    corrected,
    find_codeword,
    syndromes_of,
)
from monitor.reference.line_code import K_FLAG

RAMP = [(7 * i + 3) % 1024 for i in range(514)]
CHECK_WORDS = (
    ([0] * 513 + [0x100], "3FB 209 0DE 048 18D 2D6 3E0 258 069 03D 352 285 008 30C"),
    (list(range(1023, 509, -1)), "1C3 3B8 2A2 08C 21B 11F 1CC 1B6 22F 373 21E 375 3A2 0BF"),
    (RAMP, "0E6 1D8 101 2DF 1C6 1DD 393 147 22C 2D7 2A9 17B 2EC 1E3"),
)


def test_pn_5280() -> None:
    octets = PN.to_bytes(660, "little")
    assert octets[:16] == bytes.fromhex("FF FF FF FF FF AA AA 02 00 80 AA AA AA AA 4A 55")
    assert octets[-16:] == bytes.fromhex("D0 1F 7A 30 28 2A FA 7D 67 FC D4 5D 16 DB 89 77")
    assert PN.bit_count() == 2816
    assert hashlib.sha256(octets).hexdigest().startswith("52e439fabfb2f04e")


@pytest.mark.parametrize(("message", "parity"), CHECK_WORDS)
def test_check_words_have_no_syndrome(message: list[int], parity: str) -> None:
    word = message + [int(symbol, 16) for symbol in parity.split()]
    assert not any(syndromes_of(word))
    word[3] ^= 1
    assert all(syndromes_of(word))


def _word() -> list[int]:
    return RAMP + [int(symbol, 16) for symbol in CHECK_WORDS[2][1].split()]


@pytest.mark.parametrize("wrong", [1, 7])
def test_up_to_seven_wrong_symbols_are_found(wrong: int) -> None:
    random = np.random.default_rng(wrong)
    word = _word()
    places = {
        int(p): int(v)
        for p, v in zip(random.choice(528, wrong, False), random.integers(1, 1024, wrong), strict=True)
    }
    for place, value in places.items():
        word[place] ^= value
    assert corrected(syndromes_of(word)) == {527 - place: value for place, value in places.items()}


def test_eight_wrong_symbols_are_not_corrected() -> None:
    """Symbols 0, 10 .. 70 XOR 155h; galois says the same of it."""
    word = _word()
    for place in range(0, 80, 10):
        word[place] ^= 0x155
    assert corrected(syndromes_of(word)) is None


def test_agrees_with_reedsolo() -> None:
    other = RSCodec(nsym=14, nsize=1023, fcr=0, prim=0x409, generator=2, c_exp=10)
    random = np.random.default_rng(5)
    word = list(other.encode(random.integers(0, 1024, 514).tolist()))
    assert not any(syndromes_of(word))
    damaged = list(word)
    for place in random.choice(528, 5, False).tolist():
        damaged[place] ^= int(random.integers(1, 1024))
    found = corrected(syndromes_of(damaged))
    assert found is not None
    for power, value in found.items():
        damaged[527 - power] ^= value
    assert damaged == word == list(other.decode(damaged)[1])


def _line(blocks: int, seed: int, header_xor: bool, lead: int, wrong: int) -> bytes:
    random = np.random.default_rng(seed)
    octets = random.integers(0, 256, 8 * blocks, np.uint8)
    k = []
    for start in range(16 * (seed % 5), 8 * blocks - 15, 8 * 90):
        octets[start : start + 16] = 0x50
        octets[start + 7], octets[start + 8] = 0xFD, 0xFB
        k += [start + 7, start + 8]
    codewords = FecEncoder(header_xor=header_xor).encode(*BlockEncoder().encode(octets, np.array(k)))
    packed = pack_codewords(codewords, lead)
    where = lead + 2 * 5280 + random.integers(0, 5280 * (len(codewords) - 2), wrong)
    np.bitwise_xor.at(packed, where >> 3, (1 << (where & 7)).astype(np.uint8))
    return packed.tobytes()


@settings(max_examples=16, deadline=None)
@given(
    st.integers(0, 1 << 30),
    st.booleans(),
    st.integers(0, 5279),
    st.sampled_from([0, 3, 25, 70]),
    st.booleans(),
)
def test_agrees_with_the_batch_reader(seed: int, rule: bool, lead: int, wrong: int, told: bool) -> None:
    """Bits, codewords clean, corrected and not, both header rules, found or told."""
    data = _line(80 * 8, seed, rule, lead, wrong)
    first = find_codeword(data, 0, 2)
    reader = FecBitReader(FecSettings(header_xor=rule if told else None))
    reader.feed(np.frombuffer(data, np.uint8), 0)
    theirs = joined([reader.read()])
    assert first == reader.start_bit == lead
    run, found = blocks_of_codewords(data, first, rule if told else None, 2)
    assert found is rule is reader.header_xor
    ours = characters_of_blocks(run)
    assert ours.octets[8:] == theirs.octets[8:].tobytes()
    for flag, positions in (
        (K_FLAG, theirs.k_positions),
        (BAD_HEADER, theirs.at(Place.HEADER_ERROR)),
        (BAD_TYPE, theirs.at(Place.UNEXPECTED_TYPE)),
    ):
        assert [i for i, flags in enumerate(ours.flags) if flags & flag] == positions.tolist()
    assert [at for at, n in ours.codewords for _ in range(n)] == theirs.at(Place.SYMBOL_CORRECTED).tolist()
    assert [at for at, n in ours.codewords if n < 0] == theirs.at(Place.CODEWORD_UNCORRECTED).tolist()
    assert [8 * block for block in codeword_lock_losses(run.codewords, 8, 2, 3)] == theirs.at(
        Place.FEC_LOCK_LOST
    ).tolist()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.booleans(), max_size=40), st.sampled_from([(2, 3), (4, 8), (1, 1)]))
def test_codeword_lock_agrees(good: list[bool], counts: tuple[int, int]) -> None:
    lock = CodewordLock(FecSettings(*counts))
    codewords = [(80 * i, -1) for i, is_good in enumerate(good) if not is_good]
    theirs = lock.receive(np.array(good, np.bool_)).tolist()
    assert [block // 80 for block in codeword_lock_losses(codewords, len(good), *counts)] == theirs


def test_codewords_are_not_found_in_noise_and_in_plain_blocks() -> None:
    noise = np.random.default_rng(1).integers(0, 256, 4000, np.uint8).tobytes()
    assert find_codeword(noise, 0, 2) is None
    assert find_codeword(noise[:600], 0, 2) is None
