"""The campaign as a stage: its cases are judged again from counters and findings."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest

from monitor.acceptance.negative_tests import _within
from monitor.acceptance.results import AcceptanceOutcome
from monitor.errors import InputError
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of

PLAN = short_plan("campaign", settings={"campaign": 'only = ["hdlc.fcs", "vendor.flip"]'})


@pytest.mark.parametrize(
    ("change", "bounds", "within"),
    [
        (2, "+2", True),
        (1, "+2", False),
        (3, "+1..+4", True),
        (5, "+1..+4", False),
        (7, "+1 or more", True),
        (0, "+1 or more", False),
    ],
)
def test_bounds(change: int, bounds: str, within: bool) -> None:
    assert _within(change, bounds) is within


def test_a_verdict_of_a_case_is_not_taken_for_granted() -> None:
    raw = copy.deepcopy(dict(stage_of(PLAN).raw))
    assert result_of(PLAN, raw).passed
    case = next(c for c in raw["campaign"]["cases"] if c["case"] == "hdlc.fcs")
    case["moved"]["hdlc_fcs_errors"] = 0  # passed and verdict still say that it holds
    result = result_of(PLAN, raw)
    assert result.outcome is AcceptanceOutcome.FAIL and "hdlc.fcs" in lines_of(result)


def test_a_campaign_without_faults_is_not_tested() -> None:
    raw = copy.deepcopy(dict(stage_of(PLAN).raw))
    raw["campaign"]["cases"] = [c for c in raw["campaign"]["cases"] if not c["faults"]]
    assert result_of(PLAN, raw).outcome is AcceptanceOutcome.NOT_TESTED


def test_a_failed_case_leaves_what_was_sent(tmp_path: Path) -> None:
    plan = short_plan("campaign", emulated='receiver = "tests.support.acceptance_receivers:HdlcBlind"',
                      settings={"campaign": 'only = ["hdlc.fcs"]'})  # fmt: skip
    result = stage_of(plan, folder=tmp_path)
    assert not result.passed
    assert result.captures == ("captures/01-campaign-1.ffcap",)
    assert (tmp_path / result.captures[0]).stat().st_size > 100_000


def test_patterns_that_fit_nothing_are_an_input_error() -> None:
    with pytest.raises(InputError, match="no case matches"):
        stage_of(short_plan("campaign", settings={"campaign": 'only = ["no.such"]'}))
