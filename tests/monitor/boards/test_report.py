"""What a board tells of itself, as a screen and a collector get it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.boards.report import board_report, compensated_clocks, parallel_count
from monitor.emulation.board import BoardSetup
from monitor.links.pipeline import Pipeline
from monitor.protocol.records import SyncState
from monitor.protocol.stream import StreamCounters
from tests.monitor.commands.test_tell import STATUS
from tests.support.boards import PumpedBoard


def test_the_delay_is_compensated_for_the_alignment_offset() -> None:
    """9 clocks of 8138 ps, which are 10 bits at 1228.8 Mbit/s, and an offset of 3 bits: 9.3 clocks, by hand."""
    report = board_report(STATUS, StreamCounters(records_lost=4, bad_crc=2), "2", 7)
    assert report.delay_ns == pytest.approx(9.3 * 8.138)
    assert (report.records_lost, report.records_bad, report.octets_dropped) == (4, 2, 7)
    assert (report.resets, report.data_lost, report.commands_bad) == (5, 6, 7)


def test_a_board_may_count_with_a_faster_clock() -> None:
    """45 clocks of 1628 ps, two UI each at 1228.8 Mbit/s, and an offset of 3 bits: 93 UI, by hand."""
    status = replace(STATUS, delay_clocks=45, clock_period_ps=1628, alignment_bits=3)
    count = parallel_count(status, "2")
    assert count is not None and count.clocks == pytest.approx(9.0, rel=1e-3)
    assert count.resolution_ui == pytest.approx(2.0, rel=1e-3)
    assert board_report(status, StreamCounters(), "2", 0).delay_ns == pytest.approx(93 / 1.2288, rel=1e-3)


def test_what_the_board_does_not_know_is_none() -> None:
    report = board_report(None, StreamCounters(), "2", 0)
    assert (report.name, report.resets, report.delay_ns) == (None, None, None)
    assert STATUS.sync_state is SyncState.HFNSYNC and compensated_clocks(STATUS, "2") is not None


def test_a_snapshot_of_a_board_has_its_report_and_lost_records() -> None:
    lose = {"now": False}

    def line(data: bytes) -> bytes:
        return b"" if lose["now"] else data

    source = PumpedBoard(BoardSetup(name="RE-7"), change=line)
    pipeline = Pipeline(source)
    for losing in (False, True, False):
        lose["now"] = losing
        pipeline.step()
    source.ask_status()
    board = pipeline.snapshot().board
    assert board is not None and board.name == "RE-7"
    assert board.records_lost >= 1 and board.delay_ns is not None and board.delay_ns > 0
    source.close()
