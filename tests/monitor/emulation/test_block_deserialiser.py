"""Blocks of line bits: block lock, RS-FEC codewords, and time that is kept while lock is lost."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from decoders.arrays import U8, U64
from decoders.line_coding.code_64b66b import PayloadDescrambler, pack_blocks
from decoders.line_coding.fec_codewords import FecEncoder, pack_codewords
from monitor.emulation.block_deserialiser import BlockDeserialiser, flagged_blocks
from tests.support.any_cut import any_cut
from tests.support.block_lines import coded

BLOCKS = 800
_, _, HEADERS, WORDS = coded(BLOCKS)
CODEWORDS = FecEncoder().encode(HEADERS, WORDS)
LINE = {False: pack_blocks(HEADERS, WORDS), True: pack_codewords(CODEWORDS)}


def received(deserialiser: BlockDeserialiser, parts: Iterator[bytes]) -> tuple[U8, U64]:
    out = [deserialiser.receive(np.frombuffer(part, np.uint8)) for part in parts]
    return np.concatenate([h for h, _ in out]), np.concatenate([w for _, w in out])


@pytest.mark.parametrize("fec", [False, True])
def test_blocks_are_those_sent_in_any_cut(fec: bool) -> None:
    def read(parts: Iterator[bytes]) -> tuple[list[int], list[int]]:
        deserialiser = BlockDeserialiser(fec)
        headers, words = received(deserialiser, parts)
        assert deserialiser.locked and deserialiser.counts == BlockDeserialiser().counts
        return headers.tolist(), words.tolist()

    assert any_cut(read, LINE[fec].tobytes(), most=2000) == (HEADERS.tolist(), WORDS.tolist())


def moved(line: U8, at: int, bits: int) -> bytes:
    """Line bits with some more, zeros, or some fewer at a place."""
    every = np.unpackbits(line, bitorder="little")
    more = np.zeros(max(0, bits), np.uint8)
    return np.packbits(
        np.concatenate((every[:at], more, every[at + max(0, -bits) :])), bitorder="little"
    ).tobytes()


@pytest.mark.parametrize("bits", [1, -1, 33, 65])
def test_a_slip_costs_sixteen_headers_and_no_time(bits: int) -> None:
    """802.3 figure 49-12: sixteen bad headers of 64 lose lock; 64 good ones give it again."""

    def read(parts: Iterator[bytes]) -> tuple[list[int], list[int], str]:
        deserialiser = BlockDeserialiser()
        headers, words = received(deserialiser, parts)
        return headers.tolist(), words.tolist(), str(deserialiser.counts)

    headers, words, _ = any_cut(read, moved(LINE[False], 66 * 200, bits), most=2000)
    deserialiser = BlockDeserialiser()
    received(deserialiser, iter([moved(LINE[False], 66 * 200, bits)]))
    assert (deserialiser.counts.header_errors, deserialiser.counts.lock_losses) == (16, 1)
    assert deserialiser.locked and abs(len(headers) - BLOCKS) <= 1
    assert headers[:200] == HEADERS[:200].tolist()
    # Within two windows of 64 it reads what is sent again.
    assert words[-450:] == WORDS[-450:].tolist()


def test_blocks_go_on_while_the_line_is_dark() -> None:
    line = LINE[False].copy()
    dark = slice(33 * 50, 33 * 100)  # blocks 200 to 399
    line[dark] = 0
    deserialiser = BlockDeserialiser()
    headers, _ = received(deserialiser, iter([line.tobytes()]))
    assert len(headers) == BLOCKS and deserialiser.locked
    assert headers[200:400].tolist() == [0] * 200 and headers[400:].tolist() == HEADERS[400:].tolist()
    assert deserialiser.counts.header_errors == 200


def test_codewords_are_corrected_and_counted() -> None:
    codewords = CODEWORDS.copy()
    codewords[2, [0, 100, 200]] ^= 1  # one bit of three symbols
    codewords[4, ::60] ^= 1  # of eleven
    deserialiser = BlockDeserialiser(True)
    headers, words = received(deserialiser, iter([pack_codewords(codewords).tobytes()]))
    counts = deserialiser.counts
    assert (counts.corrected_codewords, counts.corrected_symbols, counts.uncorrected_codewords) == (1, 3, 1)
    assert counts.header_errors == 80 and counts.fec_lock_losses == 0
    whole = [*range(320), *range(400, BLOCKS)]
    assert (
        headers[whole].tolist() == HEADERS[whole].tolist() and words[whole].tolist() == WORDS[whole].tolist()
    )
    assert set(headers[320:400].tolist()) == {3}


def test_another_codeword_phase_is_found_after_three_bad_codewords() -> None:
    deserialiser = BlockDeserialiser(True)
    headers, words = received(deserialiser, iter([moved(LINE[True], 5280 * 2, 66)]))
    counts = deserialiser.counts
    assert (counts.uncorrected_codewords, counts.fec_lock_losses, counts.lock_losses) == (3, 1, 0)
    assert deserialiser.locked and words[-300:].tolist() == WORDS[-300:].tolist()
    assert headers[160:400].tolist() == [3] * 240


@pytest.mark.parametrize("fec", [False, True])
def test_after_a_restart_the_alignment_is_looked_for(fec: bool) -> None:
    deserialiser = BlockDeserialiser(fec)
    deserialiser.restart()
    data = moved(LINE[fec], 0, 41)[13:]
    headers, words = received(deserialiser, iter([data]))
    first = 80 if fec else 2
    begins = BLOCKS - first
    assert deserialiser.locked and words[-begins + 5 :].tolist() == WORDS[first + 5 :].tolist()
    assert len(headers) <= BLOCKS and deserialiser.held_bits < 5280


def test_flagged_words_mark_special_characters_and_bad_headers() -> None:
    headers = HEADERS.copy()
    headers[20] = 3
    descrambler = PayloadDescrambler()
    descrambler.reset(0xFFFF_FFFF_FFFF_FFFF)
    words = flagged_blocks(headers, WORDS, descrambler)
    assert (words[7], words[8]) == (0x1FD, 0x1FB)
    assert np.flatnonzero(words & 0x200).tolist() == list(range(160, 168))
