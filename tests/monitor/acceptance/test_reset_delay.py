"""Delay through resets: judged from the samples that are stored, and against a budget with its uncertainty."""

from __future__ import annotations

import pytest

from decoders.link_delay.delay import fibre_delay_ns
from monitor.acceptance.reset_delay import delay_status, one_way
from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of


def test_the_one_way_delay_is_the_fibre_and_the_transceivers() -> None:
    result = stage_of(short_plan("delay", settings={"delay": "resets = 5"}))
    way = one_way(delay_status(result.raw))
    assert way is not None
    # 24 parallel clocks through both transceivers, half of them each way (BoardSettings); 8.138 ns a clock.
    assert way.value_ns == pytest.approx(fibre_delay_ns(150) + 12 * 8.1380208, abs=0.5)


@pytest.mark.parametrize(
    ("budget", "outcome"), [("least_ns = 800\nmost_ns = 900", "pass"), ("most_ns = 800", "fail")]
)
def test_the_budget(budget: str, outcome: str) -> None:
    result = stage_of(short_plan("delay", settings={"delay": f"resets = 5\n{budget}"}))
    assert result.outcome.value == outcome, lines_of(result)


def test_a_budget_within_the_uncertainty_is_not_shown() -> None:
    raw = stage_of(short_plan("delay", settings={"delay": "resets = 5"})).raw
    way = one_way(delay_status(raw))
    assert way is not None
    limit = way.value_ns + way.expanded().half_width_ns / 2
    result = result_of(short_plan("delay", settings={"delay": f"resets = 5\nmost_ns = {limit}"}), raw)
    assert result.outcome is AcceptanceOutcome.FAIL and "reaches over the limit" in lines_of(result)


def test_missing_resets_are_no_pass() -> None:
    raw = dict(stage_of(short_plan("delay", settings={"delay": "resets = 5"})).raw)
    raw["samples"] = raw["samples"][:3]
    assert (
        result_of(short_plan("delay", settings={"delay": "resets = 5"}), raw).outcome
        is AcceptanceOutcome.FAIL
    )
    raw["samples"] = []
    assert not result_of(short_plan("delay", settings={"delay": "resets = 5"}), raw).passed


def test_offsets_that_never_came_are_said() -> None:
    result = stage_of(short_plan("delay", settings={"delay": "resets = 2"}))
    assert "not tested: offsets of REC-A: 8 alignment offsets of 10 never came in 2 resets" in lines_of(
        result
    )
