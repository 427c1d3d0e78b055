"""Blocks to octets and back in any alignment; the vectors of the standards are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LayoutError
from decoders.line_coding.code_64b66b import (
    CHUNK_BLOCKS,
    CONTROL,
    DATA,
    IDLE,
    START,
    TERMINATE,
    BlockEncoder,
    PayloadDescrambler,
    PayloadScrambler,
    block_characters,
    join_blocks,
    pack_blocks,
    plain_blocks,
    split_blocks,
    unpack_blocks,
)
from decoders.line_coding.line_octets import Place


@pytest.mark.parametrize("blocks", [0, 1, 2, 3, 4, 5, 38, 39, 40, 59, CHUNK_BLOCKS + 3, 2 * CHUNK_BLOCKS])
def test_scrambler_and_descrambler(blocks: int) -> None:
    words = np.random.default_rng(blocks).integers(0, 1 << 64, blocks, np.uint64)
    line = PayloadScrambler(77).scramble(words)
    descrambler = PayloadDescrambler()
    descrambler.reset(77)
    assert descrambler.descramble(line).tolist() == words.tolist()


@given(st.lists(st.integers(0, 40), max_size=8), st.integers(0, (1 << 64) - 1))
@settings(max_examples=60, deadline=None)
def test_scrambling_goes_on_over_any_cut(sizes: list[int], state: int) -> None:
    words = np.random.default_rng(sum(sizes)).integers(0, 1 << 64, sum(sizes), np.uint64)
    whole = PayloadScrambler(state).scramble(words)
    scrambler, descrambler = PayloadScrambler(state), PayloadDescrambler()
    descrambler.reset(state)
    at = 0
    for size in sizes:
        part = scrambler.scramble(words[at : at + size])
        assert part.tolist() == whole[at : at + size].tolist()
        assert descrambler.descramble(part).tolist() == words[at : at + size].tolist()
        at += size


@pytest.mark.parametrize("lead", [*range(9), 17, 33, 64, 65])
@pytest.mark.parametrize("blocks", [1, 2, 3, 4, 5, 9])
def test_pack_and_unpack_in_any_alignment(blocks: int, lead: int) -> None:
    random = np.random.default_rng(lead)
    headers = random.integers(0, 4, blocks).astype(np.uint8)
    words = random.integers(0, 1 << 64, blocks, np.uint64)
    packed = pack_blocks(headers, words, lead)
    expected = [0] * lead
    for header, word in zip(headers.tolist(), words.tolist(), strict=True):
        expected += [header & 1, header >> 1] + [word >> i & 1 for i in range(64)]
    assert packed.tobytes() == np.packbits(np.array(expected, np.uint8), bitorder="little").tobytes()
    head, body = np.empty(blocks, np.uint8), np.empty(blocks, np.uint64)
    unpack_blocks(packed, lead, head, body)
    assert head.tolist() == headers.tolist() and body.tolist() == words.tolist()


def test_stored_blocks() -> None:
    headers = np.array([DATA, CONTROL, 0, 3], np.uint8)
    words = np.array([1, 0x0807060504030201, 3, 4], np.uint64)
    stored = join_blocks(headers, words)
    assert stored[9:18].tolist() == [CONTROL, 1, 2, 3, 4, 5, 6, 7, 8]
    head, body = split_blocks(stored)
    assert head.tolist() == headers.tolist() and body.tolist() == words.tolist()
    with pytest.raises(LayoutError, match="10 octets are not whole blocks of 9"):
        split_blocks(np.zeros(10, np.uint8))


@pytest.mark.parametrize("place", range(8))
def test_terminate_in_every_octet(place: int) -> None:
    octets = np.arange(100, 124, dtype=np.uint8)
    octets[8 + place] = TERMINATE
    headers, plain = plain_blocks(octets, np.array([8 + place]))
    assert headers.tolist() == [DATA, CONTROL, DATA]
    got = block_characters(headers, plain)
    assert got.k_positions.tolist() == [8 + place]
    expected = octets.tolist()
    expected[9 + place : 16] = [IDLE] * (7 - place)
    assert got.octets.tolist() == expected
    assert not got.places


def test_start_bad_headers_and_other_types() -> None:
    octets = np.arange(40, dtype=np.uint8)
    octets[8] = START
    headers, plain = plain_blocks(octets, np.array([8]))
    headers[[0, 3]] = 0, 3
    headers[4] = CONTROL  # its first octet, 32, is no type
    got = block_characters(headers, plain)
    assert got.octets.tolist() == octets.tolist()
    assert got.k_positions.tolist() == [8]
    assert got.at(Place.HEADER_ERROR).tolist() == [0, 24]
    assert got.at(Place.UNEXPECTED_TYPE).tolist() == [32]


def test_what_has_no_block_format() -> None:
    octets = np.full(16, 0x50, np.uint8)
    octets[[3, 9]] = START, 0xBC
    encoder = BlockEncoder()
    with pytest.raises(LayoutError, match="0xFB in octet 3"):
        encoder.encode(octets, np.array([3]))
    with pytest.raises(LayoutError, match="0xBC in octet 1"):
        encoder.encode(octets, np.array([9]))
    with pytest.raises(LayoutError, match="12 octets are not whole blocks"):
        encoder.encode(octets[:12])
    octets[[4, 5]] = TERMINATE
    with pytest.raises(LayoutError, match="two special characters"):
        encoder.encode(octets, np.array([4, 5]))
