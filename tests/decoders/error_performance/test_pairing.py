"""Streams laid side by side by BFN and HFN, whatever is damaged or missing."""

from __future__ import annotations

import numpy as np

from decoders.arrays import U8
from decoders.error_performance.pairing import LoneRun, Matched, Numbering, NumberRange, Pairing, lengthen
from tests.support.link_streams import hyperframes

FIRST = 4095 * 150 + 147
TURN = 4096 * 150


def test_a_damaged_number_is_replaced_by_the_count() -> None:
    octets = hyperframes("2", 6).octets
    octets[2, 64, 0, 0] ^= 0x10
    octets[3, 64, 0, 0] = 200
    numbering = Numbering()
    numbers = numbering.settle(octets, finish=True)
    assert numbers.tolist() == [(FIRST + n) % TURN for n in range(6)]
    assert numbering.corrected == 2


def paired(sent: U8, received: U8) -> tuple[Pairing, list[Matched]]:
    pairing = Pairing()
    found: list[Matched] = []
    for side, octets in ((0, sent), (1, received), (0, None), (1, None)):
        found += pairing.add(side, octets)
    return pairing, found


def test_hyperframes_of_the_same_number_are_matched() -> None:
    octets = hyperframes("2", 6).octets
    pairing, found = paired(octets[1:], np.concatenate((octets[:3], octets[4:])))
    numbers = np.concatenate([match.numbers for match in found]).tolist()
    assert numbers == [(FIRST + n) % TURN for n in (1, 2, 4, 5)]
    assert all(np.array_equal(match.sent, match.received) for match in found)
    assert pairing.alone == [1, 1]
    assert pairing.alone_inside == [1, 0]
    assert LoneRun(0, (FIRST + 3) % TURN, 1, True) in pairing.runs
    assert pairing.wanted() is None


def test_ranges_end_where_numbers_go_back() -> None:
    ranges: list[NumberRange] = []
    lengthen(ranges, np.array([5, 6, 9]))
    lengthen(ranges, np.array([10, 3, 4]))
    assert [(r.first, r.last) for r in ranges] == [(5, 10), (3, 4)]
    lengthen(ranges, np.array([5]), broken=True)
    assert [(r.first, r.last) for r in ranges] == [(5, 10), (3, 4), (5, 5)]
