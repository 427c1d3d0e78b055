"""257-bit groups against clause 91.5.2.5 written bit by bit here; codewords on any bit, any cut, with errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LayoutError, SettingsError
from decoders.line_coding.code_64b66b import CONTROL, DATA, START, BlockEncoder, PayloadScrambler, pack_blocks
from decoders.line_coding.fec_codewords import (
    HEADER_BAD,
    FecEncoder,
    other_header_rule,
    pack_codewords,
    pn_5280,
    transcode,
    untranscode,
    whole_groups,
)
from decoders.line_coding.fec_reader import (
    FEC_TRANSITIONS,
    AutomaticBitReader,
    CodewordLock,
    CodewordLockState,
    FecBitReader,
    FecSettings,
    find_codewords,
)
from decoders.line_coding.line_octets import Place
from decoders.line_coding.rs_fec import add_parity, correct, syndromes
from tests.support.block_lines import as_lists, coded, read_all, traffic

ONES = (1 << 64) - 1


def scalar_group(headers: list[int], words: list[int], header_xor: bool) -> list[int]:
    """Four blocks to 257 bits, 802.3 clause 91.5.2.5."""
    payload = [[word >> i & 1 for i in range(64)] for word in words]
    if headers == [DATA] * 4:
        out = [1] + [bit for bits in payload for bit in bits]
    else:
        first = headers.index(CONTROL)
        out = [0] + [int(h == DATA) for h in headers]
        for i, bits in enumerate(payload):
            out += bits[:4] + bits[8:] if i == first else bits
    if header_xor:
        out[:5] = [a ^ b for a, b in zip(out[:5], out[8:13], strict=True)]
    return out


def control_blocks(controls: set[int], n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """n blocks, of which `controls` are /S/ or /T/ blocks."""
    random = np.random.default_rng(seed)
    plain = random.integers(0, 1 << 64, n, np.uint64)
    headers = np.full(n, DATA, np.uint8)
    for block in controls:
        headers[block] = CONTROL
        kind = int(random.choice([0x78, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF, 0x1E]))
        plain[block] = (plain[block] & ~np.uint64(255)) | np.uint64(kind)
    return headers, PayloadScrambler().scramble(plain)


@given(st.sets(st.integers(0, 159), max_size=60), st.booleans(), st.integers(0, 9))
@settings(max_examples=60, deadline=None)
def test_transcoding_both_ways(controls: set[int], header_xor: bool, seed: int) -> None:
    headers, words = control_blocks(controls, 160, seed)
    got = transcode(headers, words, header_xor=header_xor)
    expected = []
    for start in range(0, 160, 4):
        part = slice(start, start + 4)
        expected += scalar_group(headers[part].tolist(), words[part].tolist(), header_xor)
    bits = np.unpackbits(got, axis=1, bitorder="little")
    assert bits[:, :5140].reshape(-1).tolist() == expected
    assert not bits[:, 5140:].any()
    back, payload = untranscode(got, ONES, header_xor=header_xor)
    assert back.tolist() == headers.tolist()
    assert payload.tolist() == words.tolist()


def test_sync_word_over_the_border_of_two_groups() -> None:
    """/T/ last in its group and /S/ first in the next: the second nibble needs the first."""
    for at in (3, 79):
        headers, words = control_blocks({at, at + 1}, 160)
        back, payload = untranscode(transcode(headers, words, header_xor=False), ONES, header_xor=False)
        assert back.tolist() == headers.tolist() and payload.tolist() == words.tolist()


def test_control_block_at_the_very_start() -> None:
    """Its missing nibble is unknown, but the /S/ behind it comes out right."""
    for seed in range(12):
        octets, k = traffic(80, seed)
        headers, words = BlockEncoder(seed * 0x123456789ABCDEF).encode(octets, k)
        back, payload = untranscode(transcode(headers, words, header_xor=False), None, header_xor=False)
        assert back.tolist() == headers.tolist()
        assert payload[1:].tolist() == words[1:].tolist()
        assert (int(payload[0]) ^ int(words[0])) & ~0x30 == 0


def test_group_with_a_bad_header_is_bad_as_a_whole() -> None:
    headers, words = control_blocks({9}, 80)
    headers[[21, 42]] = 0, 3
    back, payload = untranscode(transcode(headers, words, header_xor=True), ONES, header_xor=True)
    expected = headers.copy()
    expected[20:24] = expected[40:44] = HEADER_BAD
    assert back.tolist() == expected.tolist()
    others = np.setdiff1d(np.arange(80), [20, 40])
    assert payload[others].tolist() == words[others].tolist()


def test_type_that_does_not_exist_is_a_bad_header() -> None:
    headers, words = control_blocks(set(), 80)
    plain = np.zeros(80, np.uint64)  # first nibble 0
    words = PayloadScrambler().scramble(plain)
    headers[30] = CONTROL
    back, _ = untranscode(transcode(headers, words, header_xor=False), ONES, header_xor=False)
    headers[30] = HEADER_BAD
    assert back.tolist() == headers.tolist()


@pytest.mark.parametrize("header_xor", [True, False])
def test_a_codeword_can_be_made_one_of_the_other_header_rule(header_xor: bool) -> None:
    """The rules differ by the last step of 802.3 clause 91.5.2.5; both give right codewords."""
    _, _, headers, words = coded(240, seed=3, sync_every=7)
    sent, other = (
        FecEncoder(header_xor=rule).encode(headers, words) ^ pn_5280()
        for rule in (header_xor, not header_xor)
    )
    made = other_header_rule(sent)
    assert np.array_equal(made, other) and not np.array_equal(made, sent)
    assert np.array_equal(other_header_rule(made), sent)


def test_header_rule_shows() -> None:
    headers, words = control_blocks({0, 1}, 80 * 20)
    for rule in (False, True):
        codewords = transcode(headers, words, header_xor=rule)
        assert whole_groups(codewords, header_xor=rule) == 399
        assert 150 < whole_groups(codewords, header_xor=not rule) < 250


def fec_line(
    codewords: int, lead: int = 0, header_xor: bool = False, first: int = 0
) -> tuple[np.ndarray, ...]:
    """(octets, K positions, codewords on the line, packed bits) of a stream that begins with its block `first`."""
    octets, k = traffic(80 * codewords + first, 4, 277)
    headers, words = BlockEncoder().encode(octets, k)
    line = FecEncoder(header_xor=header_xor).encode(headers[first:], words[first:])
    stray = np.random.default_rng(lead).integers(0, 256, lead // 8 + 1, np.uint8)
    packed = pack_codewords(line, lead)
    packed[: lead // 8 + 1] |= stray & np.array([255] * (lead // 8) + [(1 << lead % 8) - 1], np.uint8)
    return octets[8 * first :], k[k >= 8 * first] - 8 * first, line, packed


@pytest.mark.parametrize("header_xor", [False, True])
@pytest.mark.parametrize("lead", [0, 1, 5279, 5280 + 777])
def test_any_phase(lead: int, header_xor: bool) -> None:
    octets, k, _, packed = fec_line(6, lead, header_xor)
    reader = FecBitReader()
    got = read_all(reader, packed)
    assert reader.start_bit == lead
    assert (reader.codeword_phase_bits, reader.slip_bits) == (lead % 5280, lead % 66)
    assert reader.header_xor is header_xor and reader.fec_on
    assert got.octets.tolist() == octets.tolist()
    assert got.k_positions.tolist() == k.tolist()
    assert not got.places and got.unread.tolist() == [0]


@given(
    st.integers(0, 200),
    st.lists(st.integers(1, 6000), max_size=10),
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 20)), max_size=5),
    st.integers(0, 3),
    st.booleans(),
)
@settings(max_examples=25, deadline=None)
def test_any_cut_gives_the_same(
    lead: int, cuts: list[int], damage: list[tuple[int, int]], first: int, automatic: bool
) -> None:
    _, _, line, _ = fec_line(9, 0, first=first)
    random = np.random.default_rng(lead)
    for codeword, octets in damage:
        line[codeword, random.choice(660, octets, replace=False)] ^= 0x55
    packed = pack_codewords(line, lead)
    kind = AutomaticBitReader if automatic else FecBitReader
    whole, pieces = kind(), kind()
    assert as_lists(read_all(whole, packed)) == as_lists(read_all(pieces, packed, cuts))
    assert whole.start_bit == pieces.start_bit
    assert whole.header_xor == pieces.header_xor
    assert whole.rest_octets() == pieces.rest_octets()


def _hurt(line: np.ndarray, codeword: int, symbols: int) -> None:
    """One wrong bit in each of so many symbols."""
    for symbol in range(symbols):
        bit = 10 * (70 * symbol % 528) + 3
        line[codeword, bit >> 3] ^= 1 << (bit & 7)


def test_sync_word_at_the_start_of_codewords_read_one_by_one() -> None:
    """The second nibble needs the last block of the codeword before, in any cut."""
    octets, k = traffic(80 * 8, 1, 160)
    packed = pack_codewords(FecEncoder().encode(*BlockEncoder().encode(octets, k)))
    got = read_all(FecBitReader(), packed, range(0, len(packed), 660))
    assert got.k_positions.tolist() == k.tolist()
    assert got.octets.tolist() == octets.tolist()
    assert not got.places


def test_one_seven_and_eight_wrong_symbols() -> None:
    octets, k, line, _ = fec_line(8)
    for codeword, symbols in ((2, 1), (3, 7), (5, 8)):
        _hurt(line, codeword, symbols)
    got = read_all(FecBitReader(), pack_codewords(line, 33))
    assert got.at(Place.CODEWORD_CORRECTED).tolist() == [2 * 640, 3 * 640]
    assert got.at(Place.SYMBOL_CORRECTED).tolist() == [2 * 640] + 7 * [3 * 640]
    assert got.at(Place.CODEWORD_UNCORRECTED).tolist() == [5 * 640]
    assert got.at(Place.HEADER_ERROR).tolist() == list(range(5 * 640, 6 * 640, 8))
    assert not len(got.at(Place.FEC_LOCK_LOST)) and not len(got.at(Place.LOCK_LOST))
    inside = np.r_[0 : 5 * 640, 6 * 640 + 8 : len(octets)]  # the descrambler takes one block more
    assert got.octets[inside].tolist() == octets[inside].tolist()
    assert got.k_positions.tolist() == [p for p in k.tolist() if not 5 * 640 <= p < 6 * 640]


@pytest.mark.parametrize(("bits", "spread"), [(61, 7), (62, 8)])
def test_burst(bits: int, spread: int) -> None:
    """A burst of 61 bits touches seven symbols at most, one of 62 may touch eight (computed: 61 = 6 x 10 + 1)."""
    for start in range(10):
        _, _, line, _ = fec_line(1)
        whole = np.unpackbits(line ^ pn_5280(), bitorder="little")
        whole[400 + start : 400 + start + bits] ^= 1
        got = correct(np.packbits(whole, bitorder="little").reshape(1, 660)).symbols[0]
        touched = (400 + start + bits - 1) // 10 - (400 + start) // 10 + 1
        assert touched <= spread
        assert got == (touched if touched <= 7 else -1)


def test_codeword_lock_is_lost_and_the_phase_kept() -> None:
    octets, _, line, _ = fec_line(12)
    for codeword in (3, 4, 5, 6, 8):
        line[codeword] = np.random.default_rng(codeword).integers(0, 256, 660)
    reader = FecBitReader()
    got = read_all(reader, pack_codewords(line, 1))
    assert got.at(Place.FEC_LOCK_LOST).tolist() == [5 * 640]
    assert got.at(Place.CODEWORD_UNCORRECTED).tolist() == [640 * i for i in (3, 4, 5, 6, 8)]
    assert len(got.at(Place.HEADER_ERROR)) == 400
    assert reader.codeword_lock.state is CodewordLockState.LOCKED
    assert got.octets[9 * 640 + 8 :].tolist() == octets[9 * 640 + 8 :].tolist()


def test_counts_of_the_lock_are_settings() -> None:
    good = np.array([True, False, False, False, False, True, True, False, False, True, True, True, True])
    for settings_, lost, locked in (
        (FecSettings(), [3], True),
        (FecSettings(good=4, bad=2), [2], True),
        (FecSettings(good=5, bad=2), [2], False),
        (FecSettings(good=4, bad=8), [], True),
        (FecSettings(good=1, bad=2), [2, 8], True),
    ):
        for size in (1, 2, 13):
            lock = CodewordLock(settings_)
            found: list[int] = []
            for start in range(0, len(good), size):
                found += (lock.receive(good[start : start + size]) + start).tolist()
            assert found == lost
            assert (lock.state is CodewordLockState.LOCKED) is locked
    assert FecSettings() == FecSettings(good=2, bad=3, header_xor=None)
    assert {state for state, _ in FEC_TRANSITIONS} == set(CodewordLockState)
    assert len(FEC_TRANSITIONS) == 8
    for wrong in ({"good": 0}, {"bad": 0}):
        with pytest.raises(SettingsError, match="FEC lock with"):
            FecSettings(**wrong)


def test_codewords_that_give_lock() -> None:
    """The first is clean, the next may have up to seven wrong symbols; an uncorrectable one gives no lock."""
    for symbols, found in ((7, 13), (8, 13 + 2 * 5280)):
        _, _, line, _ = fec_line(5)
        _hurt(line, 1, symbols)
        packed = pack_codewords(line, 13)
        assert find_codewords(packed, 0, 8 * len(packed), 2)[0] == found
    _hurt(line, 0, 1)
    packed = pack_codewords(line, 13)
    assert find_codewords(packed, 0, 8 * len(packed), 2)[0] == 13 + 2 * 5280
    end = 13 + 4 * 5280
    assert find_codewords(packed, 0, end, 2)[0] == 13 + 2 * 5280
    assert find_codewords(packed, 0, end - 1, 2) == (None, 13 + 2 * 5280)


def test_realigning_finds_a_new_phase() -> None:
    octets, _, line, _ = fec_line(12)
    bits = np.unpackbits(pack_codewords(line, 9), bitorder="little")
    slipped = np.packbits(np.delete(bits, 9 + 5280 * 4 + 1000), bitorder="little")
    reader = FecBitReader()
    reader.feed(slipped, 0)
    first = reader.read()
    assert len(first.at(Place.CODEWORD_UNCORRECTED)) == 8
    reader.own(len(first))
    reader.realign(len(first) - 4 * 640)
    second = reader.read()
    assert reader.start_bit == 9 + 5280 * 5 - 1
    assert reader.start_octet == (9 + 5280 * 5 - 1) // 66 * 8
    assert second.octets[8:].tolist() == octets[5 * 640 + 8 : 5 * 640 + len(second)].tolist()
    assert not second.places


def test_automatic_reader_tells_fec_from_none() -> None:
    octets, k, _, packed = fec_line(5, 100, True)
    reader = AutomaticBitReader()
    assert reader.fec_on is None and reader.header_xor is None
    got = read_all(reader, packed, range(0, len(packed), 500))
    assert (reader.fec_on, reader.header_xor, reader.codeword_phase_bits) == (True, True, 100)
    assert (got.octets.tolist(), got.k_positions.tolist()) == (octets.tolist(), k.tolist())
    octets, k, headers, words = coded(400)
    reader = AutomaticBitReader()
    got = read_all(reader, pack_blocks(headers, words, 100), range(0, 3000, 500))
    assert (reader.fec_on, reader.header_xor, reader.codeword_phase_bits) == (False, None, None)
    assert reader.start_bit == 100 and reader.slip_bits == 34
    assert (got.octets.tolist(), got.k_positions.tolist()) == (octets.tolist(), k.tolist())
    reader = AutomaticBitReader()
    noise = np.random.default_rng(0).integers(0, 256, 4000, np.uint8)
    assert len(read_all(reader, noise, [1500])) == 0 and reader.fec_on is None
    assert reader.rest_octets() == 32_000 // 66 * 8


def test_automatic_reader_looks_anew() -> None:
    """FEC is switched on in mid-stream: found after `realign`."""
    _, _, headers, words = coded(200)
    octets, _, line, _ = fec_line(4)
    packed = np.concatenate((pack_blocks(headers, words), pack_codewords(line)))
    reader = AutomaticBitReader()
    reader.feed(packed, 0)
    first = reader.read()
    assert reader.fec_on is False
    reader.realign(len(first) - 1600)
    second = reader.read()
    assert reader.fec_on is True
    assert reader.start_bit == 66 * 200
    assert second.octets[8:].tolist() == octets[8:].tolist()


def test_encoder_keeps_the_blocks_of_an_unfinished_codeword() -> None:
    _, _, headers, words = coded(80 * 4 + 33)
    whole, pieces = FecEncoder(), FecEncoder()
    expected = whole.encode(headers, words)
    assert expected.shape == (4, 660) and whole.pending == 33
    parts = [pieces.encode(headers[i : i + 51], words[i : i + 51]) for i in range(0, len(words), 51)]
    assert np.concatenate(parts).tolist() == expected.tolist()
    assert not syndromes(expected ^ pn_5280()).any()
    assert pieces.pending == 33


def test_parity_replaces_what_stands_there() -> None:
    codewords = np.random.default_rng(3).integers(0, 256, (100, 660), np.uint8)
    before = codewords.copy()
    add_parity(codewords)
    assert not syndromes(codewords).any()
    assert (codewords[:, :642] == before[:, :642]).all()
    assert ((codewords[:, 642] ^ before[:, 642]) & 15 == 0).all()
    with pytest.raises(LayoutError, match="shape"):
        syndromes(codewords[:, :600])


def test_start_character_octet() -> None:
    """/S/ is FB on the octet side in a codeword, too."""
    octets, k, _, packed = fec_line(3)
    got = read_all(FecBitReader(), packed)
    assert got.octets[k[1]] == START == octets[8]
