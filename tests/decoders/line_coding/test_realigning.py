"""A receiver that works hyperframe by hyperframe and looks for the blocks anew: the same in any cut of the stream."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.line_coding.block_readers import AlignedReader, BlockBitReader, BlockReader
from decoders.line_coding.code_64b66b import join_blocks, pack_blocks
from decoders.line_coding.fec_codewords import FecEncoder, pack_codewords
from decoders.line_coding.fec_reader import AutomaticBitReader, FecBitReader
from decoders.line_coding.line_octets import LineOctetBuffer, Place
from tests.support.block_lines import coded

OCTETS = 800  # of a "hyperframe" here
Seen = list[tuple[object, ...]]


def receive(reader: AlignedReader, raw: np.ndarray, cuts: list[int]) -> Seen:
    """What a receiver sees that takes pieces of 800 octets, and realigns behind one with 16 header errors."""
    buffer, seen = LineOctetBuffer(), Seen()
    start = None
    edges = sorted({0, len(raw), *(cut for cut in cuts if 0 < cut < len(raw))})
    for begin, end in itertools.pairwise(edges):
        memory = raw[begin:end].copy()
        reader.feed(memory, len(buffer))
        while True:
            buffer.append(reader.read())
            if reader.start_octet != start:
                start = reader.start_octet
                seen.append(("aligned", reader.start_bit, start))
            if len(buffer) < OCTETS:
                break
            buffer.join()
            counts = buffer.counts(0, OCTETS)
            k = buffer.k[buffer.k < OCTETS].tolist()
            seen.append((buffer.octets[:OCTETS].tobytes(), k, tuple(sorted(counts.items()))))
            buffer.drop(OCTETS)
            if counts.get(Place.HEADER_ERROR, 0) >= 16:
                reader.realign(len(buffer))
                buffer.clear()
                seen.append(("realign",))
        reader.own(len(buffer))
        buffer.own()
        memory[:] = 0x5A
    seen.append(("rest", len(buffer) + reader.rest_octets()))
    return seen


def _line(kind: str, seed: int) -> np.ndarray:
    """Damage in three places: a burst of bad headers, bits or codewords, and one bit or octet left out."""
    _, _, headers, words = coded(80 * 25, seed)
    random = np.random.default_rng(seed)
    if kind == "fec":
        line = FecEncoder(header_xor=bool(seed & 1)).encode(headers, words)
        line[random.choice(25, 4, replace=False), :60] ^= 0x33
        packed = pack_codewords(line, seed % 70)
    else:
        at = int(random.integers(0, 1500))
        headers[at : at + 40] = 3
        if kind == "blocks":
            return join_blocks(headers, words)
        packed = pack_blocks(headers, words, seed % 70)
    bits = np.unpackbits(packed, bitorder="little")
    return np.packbits(np.delete(bits, random.integers(0, len(bits), 1 + seed % 2)), bitorder="little")


READERS = {"bits": BlockBitReader, "blocks": BlockReader, "fec": FecBitReader}


@pytest.mark.parametrize("kind", READERS)
@given(st.integers(0, 50), st.lists(st.integers(1, 17_000), max_size=25))
@settings(max_examples=25, deadline=None)
def test_any_cut(kind: str, seed: int, cuts: list[int]) -> None:
    raw = _line(kind, seed)
    whole = receive(READERS[kind](), raw, [])
    assert receive(READERS[kind](), raw, cuts) == whole
    if kind != "blocks":
        assert receive(AutomaticBitReader(), raw, cuts) == whole


@pytest.mark.parametrize("kind", READERS)
def test_damage_is_seen(kind: str) -> None:
    """So that the test above does not compare two streams in which nothing happens."""
    realigned = 0
    for seed in range(6):
        seen = receive(READERS[kind](), _line(kind, seed), [])
        assert len([entry for entry in seen if isinstance(entry[0], bytes)]) > 8
        realigned += seen.count(("realign",))
    assert realigned >= 6


def test_codewords_before_a_run_of_good_headers_hold_in_any_cut() -> None:
    """A constant octet 55 reads as good 66-bit headers for ever; the codewords before it were certain earlier."""
    _, _, headers, words = coded(80 * 6, 3)
    raw = pack_codewords(FecEncoder(header_xor=False).encode(headers, words))
    raw = np.concatenate((raw, np.full(2000, 0x55, np.uint8)))
    outcomes = []
    for step in (len(raw), 4096, 700):
        reader = AutomaticBitReader()
        for at in range(0, len(raw), step):
            reader.feed(raw[at : at + step], 0)
            reader.read()
            reader.own(0)
        outcomes.append((reader.fec_on, reader.start_bit))
    assert outcomes == [(True, 0)] * 3
