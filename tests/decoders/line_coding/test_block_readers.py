"""Readers of blocks, bits and flagged octets: any cut, any alignment, and what they count."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.line_coding.block_lock import LockSettings, LockState
from decoders.line_coding.block_readers import BlockBitReader, BlockReader, FlaggedBlockReader
from decoders.line_coding.code_64b66b import CONTROL, DATA, IDLE, TERMINATE, join_blocks, pack_blocks
from decoders.line_coding.line_octets import Place
from tests.support.block_lines import as_lists, coded, read_all


def _raw(form: str, headers: np.ndarray, words: np.ndarray, lead: int = 0) -> np.ndarray:
    return join_blocks(headers, words) if form == "blocks" else pack_blocks(headers, words, lead)


READERS = {"blocks": BlockReader, "bits": BlockBitReader}


@pytest.mark.parametrize("form", READERS)
def test_clean_stream_from_its_first_block(form: str) -> None:
    octets, k, headers, words = coded(300)
    got = read_all(READERS[form](), _raw(form, headers, words))
    assert got.octets.tolist() == octets.tolist()  # the sync word of the unread block, too
    assert got.k_positions.tolist() == k.tolist()
    assert got.unread.tolist() == [0]
    assert not got.places


@pytest.mark.parametrize("form", READERS)
def test_the_first_block_is_judged_by_its_header_alone(form: str) -> None:
    """A stream that begins with data, with /S/, or with /T/ without /S/ behind it: no counter, no K."""
    octets, k, headers, words = coded(300)
    for first in (1, 2, 99):
        got = read_all(READERS[form](), _raw(form, headers[first:], words[first:]))
        assert got.octets[8:].tolist() == octets[8 * first + 8 :].tolist()
        assert got.k_positions.tolist() == (k[k >= 8 * first + 8] - 8 * first).tolist()
        assert got.unread.tolist() == [0]
        assert not got.places
    headers[1] = DATA
    got = read_all(READERS[form](), _raw(form, headers, words))
    assert got.k_positions.tolist() == k[2:].tolist()
    assert not got.places


def test_first_block_of_another_sync_word() -> None:
    """/T/ in octet 0 with seven idle characters: what the unread block is filled with is a setting."""
    octets, _, headers, words = coded(100)
    reader = BlockReader()
    reader.terminate_at = 0
    got = read_all(reader, join_blocks(headers, words))
    assert got.octets[:8].tolist() == [TERMINATE, *[IDLE] * 7]
    assert got.octets[8:].tolist() == octets[8:].tolist()
    assert got.k_positions.tolist() == [0, 8]


@given(
    st.sampled_from(sorted(READERS)),
    st.integers(0, 65),
    st.lists(st.integers(1, 4000), max_size=12),
    st.lists(st.integers(0, 299), max_size=40),
    st.integers(0, 4),
)
@settings(max_examples=60, deadline=None)
def test_any_cut_gives_the_same(form: str, lead: int, cuts: list[int], bad: list[int], seed: int) -> None:
    _, _, headers, words = coded(300, seed, 37)
    headers[bad] = np.where(np.array(bad, np.int64) % 2, 0, 3)
    headers[[150, 200]] ^= 3
    raw = _raw(form, headers, words, lead)
    whole, pieces = READERS[form](LockSettings(16, 4)), READERS[form](LockSettings(16, 4))
    assert as_lists(read_all(whole, raw)) == as_lists(read_all(pieces, raw, cuts))
    assert whole.start_bit == pieces.start_bit
    assert whole.start_octet == pieces.start_octet
    assert whole.rest_octets() == pieces.rest_octets()
    assert whole.lock.state is pieces.lock.state


@pytest.mark.parametrize("lead", [0, 1, 17, 65, 66, 200])
def test_alignment_and_stray_blocks(lead: int) -> None:
    octets, _, headers, words = coded(200)
    headers[5] = 0
    reader = BlockBitReader()
    got = read_all(reader, pack_blocks(headers, words, lead))
    assert reader.start_bit == lead + 6 * 66
    assert reader.slip_bits == lead % 66
    assert reader.start_octet == (lead + 6 * 66) // 66 * 8
    assert got.octets[8:].tolist() == octets[7 * 8 :].tolist()
    blocks = BlockReader()
    got = read_all(blocks, join_blocks(headers, words))
    assert blocks.start_bit is None and blocks.slip_bits is None
    assert blocks.start_octet == 48
    assert got.octets[8:].tolist() == octets[7 * 8 :].tolist()


def test_start_of_the_form_blocks_counts_in_the_stream() -> None:
    """`start_octet` of `blocks` says how many octets' time went by before lock."""
    _, _, headers, words = coded(100)
    headers[10] = 3
    reader = BlockReader()
    read_all(reader, join_blocks(headers, words), cuts=[50, 500])
    assert reader.start_octet == 88


@pytest.mark.parametrize("form", READERS)
def test_errors_stand_at_their_blocks(form: str) -> None:
    octets, k, headers, words = coded(400)
    headers[[120, 121]] = 0, 3
    headers[130] = CONTROL  # a data block: its octets are random, 84 is no type
    assert octets[130 * 8] not in (0x78, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF)
    headers[200] = DATA  # the /T/ block of a sync word
    got = read_all(READERS[form](), _raw(form, headers, words, 3))
    assert got.at(Place.HEADER_ERROR).tolist() == [960, 968]
    assert got.at(Place.UNEXPECTED_TYPE).tolist() == [1040]
    assert got.k_positions.tolist() == [p for p in k.tolist() if p != 1607]
    assert got.octets[1600:1608].tolist() == [0xFF] + [0x50] * 7
    others = np.r_[0:1600, 1608 : len(octets)]
    assert got.octets[others].tolist() == octets[others].tolist()


def test_lock_is_lost_and_the_alignment_kept() -> None:
    octets, _, headers, words = coded(400)
    headers[128:144] = 0
    reader = BlockBitReader()
    got = read_all(reader, pack_blocks(headers, words, 9), cuts=[100, 1111])
    assert got.at(Place.LOCK_LOST).tolist() == [143 * 8]
    assert len(got.at(Place.HEADER_ERROR)) == 16
    assert got.octets.tolist() == octets.tolist()
    assert reader.lock.state is LockState.LOCKED
    assert reader.start_bit == 9


def test_realigning_goes_back_over_what_was_not_used() -> None:
    """A bit is left out: from there on every other header is bad, and the blocks are found one bit earlier."""
    octets, _, headers, words = coded(600)
    bits = np.unpackbits(pack_blocks(headers, words, 5), bitorder="little")
    slipped = np.packbits(np.delete(bits, 5 + 200 * 66 + 30), bitorder="little")
    reader = BlockBitReader()
    reader.feed(slipped[:4000], 0)
    first = reader.read()
    reader.own(len(first))  # all may have to be read again
    reader.feed(slipped[4000:], len(first))
    reader.realign(len(first) - 190 * 8)
    second = reader.read()
    assert reader.start_bit is not None
    skipped = (reader.start_bit - 4) // 66
    assert reader.slip_bits == 4 and skipped >= 201
    assert second.octets[8:].tolist() == octets[skipped * 8 + 8 : skipped * 8 + len(second)].tolist()
    assert reader.start_octet == skipped * 8


def test_without_alignment_the_rest_is_counted_in_whole_blocks() -> None:
    noise = np.random.default_rng(5).integers(0, 256, 33 * 50, np.uint8)
    for reader in (BlockBitReader(), BlockReader()):
        assert len(read_all(reader, noise, cuts=[7, 800])) == 0
        assert reader.start_octet is None
        assert reader.rest_octets() == 8 * len(noise) // reader.block_bits * 8
    reader = BlockBitReader()
    _, _, headers, words = coded(100)
    read_all(reader, pack_blocks(headers, words, 5)[:-3])
    assert reader.rest_octets() == 0  # of a cut block: none


@given(st.lists(st.integers(0, 400), max_size=10))
@settings(max_examples=40, deadline=None)
def test_flagged_octets_of_blocks(cuts: list[int]) -> None:
    words = np.random.default_rng(1).integers(0, 256, 200).astype(np.uint16)
    words[40:48] |= 0x200  # one block
    words[80:96] |= 0x200  # two
    words[:5] |= 0x200  # the end of one
    words[192:] |= 0x200
    words[[103, 104]] = 0x100 | TERMINATE, 0x1FB
    got = read_all(FlaggedBlockReader(), words.view(np.uint8), cuts)
    assert got.octets.tolist() == (words & 0xFF).tolist()
    assert got.k_positions.tolist() == [103, 104]
    assert got.at(Place.HEADER_ERROR).tolist() == [0, 40, 80, 88, 192]
