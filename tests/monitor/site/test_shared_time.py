"""Times of hyperframes told by BFN and HFN, through gaps, jumps and a new begin of BFN."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.arrays import U8
from monitor.site.shared_time import HyperframeRun, PointTimeline, SharedTime, short_way

MODULUS = 4096 * 150


def hyperframes(first: int, count: int) -> U8:
    """Hyperframes of option 1 that carry nothing but their numbers."""
    octets = np.zeros((count, 256, 16, 1), np.uint8)
    numbers = (first + np.arange(count)) % MODULUS
    octets[:, 64, 0, 0] = numbers % 150
    octets[:, 128, 0, 0] = numbers // 150 & 0xFF
    octets[:, 192, 0, 0] = numbers // 150 >> 8
    return octets


def times(runs: list[HyperframeRun]) -> list[int]:
    return [run.time + i for run in runs for i in range(len(run.octets))]


def test_a_hyperframes_time_is_its_number_counted_on_past_4095() -> None:
    line = PointTimeline(SharedTime())
    runs = line.add(hyperframes(MODULUS - 3, 6)) + line.add(hyperframes(3, 4)) + line.add(None)
    assert times(runs) == list(range(MODULUS - 3, MODULUS + 7))
    assert runs[0].first == 0
    assert line.jumps == 0


def test_points_that_begin_on_both_sides_of_a_new_begin_of_bfn_have_one_time() -> None:
    shared = SharedTime()
    one, two = PointTimeline(shared), PointTimeline(shared)
    early = one.add(hyperframes(MODULUS - 5, 20)) + one.add(None)
    late = two.add(hyperframes(4, 10)) + two.add(None)
    assert times(late)[0] - times(early)[0] == 9


def test_a_damaged_number_changes_no_time() -> None:
    octets = hyperframes(100, 10)
    octets[4, 64, 0, 0] = 200
    octets[6, 128, 0, 0] ^= 0x10
    line = PointTimeline(SharedTime())
    assert times(line.add(octets) + line.add(None)) == list(range(100, 110))


def test_numbers_that_jump_while_line_data_go_on_do_not_move_the_time() -> None:
    line = PointTimeline(SharedTime())
    runs = line.add(np.concatenate((hyperframes(10, 5), hyperframes(500, 5)))) + line.add(None)
    assert times(runs) == list(range(10, 20))
    assert line.jumps == 1
    assert line.turns == [(15, 485)]
    assert runs[-1].shift == -485


def test_behind_a_loss_of_sync_the_number_decides_and_says_what_is_missing() -> None:
    line = PointTimeline(SharedTime())
    runs = line.add(hyperframes(10, 5)) + line.add(hyperframes(55, 5), 2, lost=True) + line.add(None)
    assert times(runs) == [*range(10, 15), *range(55, 60)]
    behind = next(run for run in runs if run.lost)
    assert (behind.time, behind.skipped) == (55, 38)


@pytest.mark.parametrize("missing", [7, None])
def test_a_gap_that_the_board_tells_of_is_neither_jump_nor_loss(missing: int | None) -> None:
    line = PointTimeline(SharedTime())
    runs = line.add(hyperframes(10, 5)) + line.add(hyperframes(22, 5), missing) + line.add(None)
    assert times(runs) == [*range(10, 15), *range(22, 27)]
    assert line.jumps == 0 and not any(run.lost for run in runs)


def test_a_sender_that_begins_anew_does_not_turn_time_back() -> None:
    shared = SharedTime()
    one, two = PointTimeline(shared), PointTimeline(shared)
    first = one.add(hyperframes(5000, 5)) + one.add(hyperframes(3, 5), 4, lost=True) + one.add(None)
    second = two.add(hyperframes(5000, 5)) + two.add(hyperframes(5, 5), 6, lost=True) + two.add(None)
    assert times(first)[-5:] == list(range(5009, 5014))
    assert times(second)[-5:] == list(range(5011, 5016))  # the same numbers at the same times


def test_the_short_way_between_numbers() -> None:
    assert short_way(MODULUS - 1) == -1
    assert short_way(3 - MODULUS) == 3
