"""Octets and positions in a buffer: joined, dropped, counted."""

from __future__ import annotations

import numpy as np

from decoders.line_coding.line_octets import LineOctetBuffer, LineOctets, Place, joined


def _piece(start: int, n: int, bad: list[int], k: list[int]) -> LineOctets:
    places = {Place.HEADER_ERROR: np.array(bad)} if bad else {}
    return LineOctets(
        np.arange(start, start + n, dtype=np.uint8), np.array(k, np.int64), places, np.array([0])
    )


def test_pieces_are_joined_and_dropped() -> None:
    buffer = LineOctetBuffer()
    memory = _piece(0, 16, [8], [7])
    buffer.append(memory)
    buffer.append(_piece(16, 0, [], []))
    buffer.own()
    buffer.append(_piece(16, 24, [0, 0, 16], [3, 9]))
    assert len(buffer) == 40 and len(buffer.octets) == 0
    buffer.join()
    assert buffer.octets.tolist() == list(range(40))
    assert buffer.k.tolist() == [7, 19, 25]
    assert buffer.unread.tolist() == [0, 16]
    assert buffer.at(Place.HEADER_ERROR).tolist() == [8, 16, 16, 32]
    assert buffer.counts(8, 32) == {Place.HEADER_ERROR: 3}
    assert buffer.counts(17, 32) == {}
    buffer.drop(16)
    assert buffer.octets.tolist() == list(range(16, 40))
    assert (buffer.k.tolist(), buffer.unread.tolist()) == ([3, 9], [0])
    assert buffer.at(Place.HEADER_ERROR).tolist() == [0, 0, 16]
    buffer.append(_piece(40, 8, [], []))
    buffer.clear()
    assert len(buffer) == 0 and not len(buffer.k) and not len(buffer.at(Place.HEADER_ERROR))


def test_buffer_owns_what_it_holds() -> None:
    memory = np.arange(64, dtype=np.uint8)
    buffer = LineOctetBuffer()
    buffer.append(LineOctets(memory[:40]))
    buffer.join()
    buffer.drop(8)
    buffer.append(LineOctets(memory[40:]))
    buffer.own()
    memory[:] = 0
    buffer.join()
    assert buffer.octets.tolist() == list(range(8, 64))


def test_nothing_joined() -> None:
    assert len(joined([])) == 0
