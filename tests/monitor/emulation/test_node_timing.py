"""When a node sends: behind its downlink by a fixed delay, by its own clock without one."""

from __future__ import annotations

import numpy as np

from monitor.emulation.node_receiver import ReceivedHyperframe
from monitor.emulation.node_timing import NodeTiming

SIZE, THROUGH = 1000, 50


def came(start: int, number: int, *, locked: bool = True) -> ReceivedHyperframe:
    return ReceivedHyperframe(start, np.zeros((256, 16, 1), np.uint8), number, 0, locked)


def test_follows_by_its_through_delay() -> None:
    timing = NodeTiming(SIZE, THROUGH, 150, 7)
    slots = timing.receive([came(100, 7), came(1100, 8)], 2100)
    assert [(s.start, s.gap, s.number, s.content is not None) for s in slots] == [
        (150, 0, 7, True),
        (1150, 0, 8, True),
    ]


def test_a_few_symbols_more_or_less_stay_in_the_elastic_buffer() -> None:
    timing = NodeTiming(SIZE, THROUGH, 150, 7)
    slots = timing.receive([came(104, 7), came(1096, 8), came(2105, 9)], 3105)
    assert [(s.start, s.gap) for s in slots] == [(150, 0), (1150, 0), (2155, 5)]


def test_goes_on_by_itself_without_a_downlink_and_begins_anew_with_it() -> None:
    timing = NodeTiming(SIZE, THROUGH, 150, 7)
    assert len(timing.receive([came(100, 7)], 1100)) == 1
    assert timing.receive([], 2103) == []  # the hyperframe may still come
    slots = timing.receive([], 3104)
    assert [(s.start, s.number, s.content) for s in slots] == [(1150, 8, None), (2150, 9, None)]
    slots = timing.receive([came(3300, 10, locked=False), came(4300, 11), came(5300, 12)], 6300)
    assert [(s.start, s.gap, s.number) for s in slots] == [(3150, 0, 10), (4350, 200, 11), (5350, 0, 12)]
    slots = timing.receive([came(6100, 13), came(7100, 14)], 8100)  # earlier by 200
    assert [(s.start, s.gap, s.number) for s in slots] == [(7150, 800, 13)]


def test_one_wrong_number_is_passed_over_and_two_in_a_row_are_followed() -> None:
    timing = NodeTiming(SIZE, THROUGH, 50, 100)
    numbers = [100, 55, 102, -1, 104, 305, 306, 307]
    slots = timing.receive([came(i * SIZE, n) for i, n in enumerate(numbers)], 8 * SIZE)
    assert [s.number for s in slots] == [100, 101, 102, 103, 104, 105, 306, 307]


def test_the_number_begins_anew_after_4096_frames() -> None:
    timing = NodeTiming(SIZE, THROUGH, 50, 4096 * 150 - 1)
    assert [s.number for s in timing.receive([], 3 * SIZE)] == [4096 * 150 - 1, 0]
