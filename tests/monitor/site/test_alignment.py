"""Windows of common time over several points."""

from __future__ import annotations

import numpy as np

from decoders.linerates import option_named
from monitor.site.alignment import Alignment, Waiting
from monitor.site.shared_time import HyperframeRun

OPTION = option_named("1")


def run(time: int, count: int, first: int = 0) -> HyperframeRun:
    octets = np.zeros((count, 256, 16, 1), np.uint8)
    octets[:, 0, 1, 0] = (time + np.arange(count)) % 251
    return HyperframeRun(time, first, octets, 0)


def test_a_window_waits_for_the_point_that_is_behind() -> None:
    both = Alignment(OPTION, 2)
    both.waiting[0].add([run(0, 600)])
    assert both.behind() == 1
    assert both.window() is None
    both.waiting[1].add([run(0, 100), run(120, 480, 100)])
    window = both.window()
    assert window is not None
    assert (window.start, window.end) == (0, both.size)
    assert window.present(0).all()
    assert np.flatnonzero(~window.present(1)).tolist() == list(range(100, 120))


def test_octets_come_for_the_times_asked_for_over_the_gap() -> None:
    alone = Alignment(OPTION, 1)
    alone.waiting[0].add([run(0, 100), run(120, 480, 100)])
    window = alone.window()
    assert window is not None
    times = np.array([98, 99, 120, 130])
    assert window.octets(0, times)[:, 0, 1, 0].tolist() == [98, 99, 120, 130]


def test_passing_by_lets_go_and_a_point_that_ended_is_not_waited_for() -> None:
    both = Alignment(OPTION, 2)
    both.waiting[0].add([run(0, 600)])
    both.waiting[1].ended = True
    window = both.window()
    assert window is not None
    both.pass_by(window)
    assert both.waiting[0].start == both.size
    assert both.waiting[0].octets == (600 - both.size) * OPTION.hyperframe_octets


def test_a_silent_point_holds_the_others_no_longer_than_memory_lasts() -> None:
    both = Alignment(OPTION, 2)
    both.waiting[1].add([run(0, 8)])
    for i in range(49):
        both.waiting[0].add([run(i * 512, 512, i * 512)])
    window = both.window()
    assert window is not None and window.start == 0
    both.pass_by(window)
    both.waiting[1].add([run(8, 600, 8)])  # comes too late for the window that has gone
    window = both.window()
    assert window is not None and window.start == both.size
    assert window.present(1).all()


def test_moving_what_waits_leaves_what_stands_before() -> None:
    waiting = Waiting()
    waiting.add([run(0, 10)])
    waiting.move(4, 3)
    assert [(r.time, r.end, r.first) for r in waiting.runs] == [(0, 4, 0), (7, 13, 4)]
    waiting.move(7, -5)  # what would lie on what stands before is cut off
    assert [(r.time, r.end, r.first) for r in waiting.runs] == [(0, 4, 0), (4, 8, 6)]
    assert waiting.octets == 8 * OPTION.hyperframe_octets
