"""The stream of octets: what is held, where it stands, and hyperframes that are missing."""

from __future__ import annotations

import numpy as np

from decoders.line_coding.characters import LineForm, open_reader
from decoders.line_coding.code_8b10b import SymbolEncoder, pack_symbols
from decoders.link.stream import LineStream, StreamGaps


def test_gaps_at_one_place_are_one_and_an_unknown_one_makes_all_unknown() -> None:
    gaps = StreamGaps()
    assert not gaps
    gaps.add(100, 2)
    gaps.add(100, 3)
    gaps.add(200, 1)
    gaps.add(200, None)
    assert (gaps.first, gaps.pop()) == (100, 5)
    assert (gaps.first, gaps.pop()) == (200, None)
    assert not gaps


def test_missing_hyperframes_between_places() -> None:
    gaps = StreamGaps()
    assert gaps.missing(np.array([0, 50])) == 0
    gaps.add(100, 2)
    gaps.add(300, 7)
    assert np.asarray(gaps.missing(np.array([[0, 99, 100, 400], [100, 299, 300, 301]]))).tolist() == [
        [0, 2, 7],
        [0, 7, 0],
    ]


def test_what_is_dropped_is_done_with() -> None:
    stream = LineStream(open_reader(LineForm.OCTETS, 4096))
    stream.receive(np.arange(10, dtype=np.uint8))
    assert not stream.read()
    stream.buffer.join()
    stream.drop(4)
    assert (stream.done, stream.end, stream.buffer.octets.tolist()) == (4, 10, [4, 5, 6, 7, 8, 9])
    memory = np.full(3, 7, np.uint8)
    stream.receive(memory[:])
    stream.read()
    stream.own()
    memory[:] = 0
    stream.buffer.join()
    assert stream.buffer.octets.tolist()[-3:] == [7, 7, 7]
    assert stream.rest_octets() == 0


def test_an_alignment_says_where_the_stream_stands() -> None:
    """Seven characters' time and three bits before the first K28.5: seven octets are done with."""
    octets = np.zeros(3 * 4096 + 1, np.uint8)
    octets[::4096] = 0xBC
    symbols = SymbolEncoder().encode(octets, np.arange(0, len(octets), 4096))
    stream = LineStream(open_reader(LineForm.BITS, 4096))
    stream.receive(pack_symbols(symbols, 73))
    assert stream.read()
    assert stream.done == 7
    assert stream.reader.slip_bits == 3
    assert not stream.read()
    stream.buffer.join()
    assert stream.buffer.octets[0] == 0xBC
    stream.realign(4096)
    assert stream.done == 7 + 4096
    assert stream.read()
    assert (stream.done, len(stream.buffer)) == (7 + 4096, 2 * 4096 + 1)
