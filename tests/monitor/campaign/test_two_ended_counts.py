"""The judged board's own counts, held against its line data."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from decoders.counters import COUNTERS
from monitor.campaign.two_ended_counts import OwnCounts
from monitor.campaign.two_ended_source import End
from monitor.errors import InputError
from monitor.faults.kinds import Expectation
from monitor.faults.verdict import Observation, Verdict
from monitor.protocol.records import Status
from tests.support.boards import PumpedBoard


class Counting:
    """A board whose status is as told."""

    description = "test board"

    def __init__(self) -> None:
        (status,) = [PumpedBoard().status]
        assert status is not None
        self.now: Status = replace(status, code_violations=5, disparity_errors=0, los_events=1, lof_events=1)
        self.silent = False

    def ask_status(self) -> Status:
        if self.silent:
            raise InputError("no answer")
        return self.now

    def count(self, **by: int) -> None:
        self.now = replace(self.now, **{n: (getattr(self.now, n) + k) % (1 << 32) for n, k in by.items()})


def counted(exact: dict[str, int], shown: dict[str, int], by: dict[str, int]) -> tuple[list[Any], list[str]]:
    board, never = Counting(), list[str]()
    counts = OwnCounts(End("RE-1", board), never)  # type: ignore[arg-type]
    counts.begin()
    board.count(**by)
    seen = Observation(dict.fromkeys(COUNTERS, 0) | shown)
    return list(counts.findings(seen, Expectation(exact))), never


def test_the_same_counts_are_no_finding() -> None:
    exact = {"code_violations": 16, "los_events": 1}
    assert counted(exact, exact, exact) == ([], [])


def test_a_count_that_stays_behind_is_missed_or_miscounted() -> None:
    (missed,), _ = counted({"los_events": 1}, {"los_events": 1}, {})
    assert missed.verdict is Verdict.MISSED and missed.counter == "los_events"
    assert missed.text == "RE-1 itself counts los_events +0, its line data show +1"
    (less,), _ = counted({"code_violations": 16}, {"code_violations": 16}, {"code_violations": 15})
    assert less.verdict is Verdict.MISCOUNTED
    (more,), _ = counted({}, {}, {"code_violations": 1})
    assert more.verdict is Verdict.SIDE_EFFECT


def test_where_the_line_is_unreadable_only_that_it_counts_is_held() -> None:
    assert counted({}, {"code_violations": 900}, {"code_violations": 850}) == ([], [])
    (none,), _ = counted({}, {"code_violations": 900}, {})
    assert none.verdict is Verdict.MISSED


def test_a_count_that_stands_at_zero_is_one_that_the_board_does_not_have() -> None:
    assert counted({}, {"disparity_errors": 2}, {}) == ([], ["disparity_errors"])
    assert counted({}, {}, {}) == ([], [])


def test_counts_wrap_at_32_bits_and_silence_is_no_finding() -> None:
    board, never = Counting(), list[str]()
    counts = OwnCounts(End("RE-1", board), never)  # type: ignore[arg-type]
    board.now = replace(board.now, code_violations=(1 << 32) - 1)
    counts.begin()
    board.count(code_violations=2)
    seen = Observation(dict.fromkeys(COUNTERS, 0) | {"code_violations": 2})
    assert list(counts.findings(seen, Expectation({"code_violations": 2}))) == []
    board.silent = True
    assert list(counts.findings(seen, Expectation())) == []
