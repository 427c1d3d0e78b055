"""The verdict on a stage and on a run: a pass needs everything seen."""

from __future__ import annotations

import pytest

from monitor.acceptance.results import AcceptanceOutcome, Check, StageResult, overall_outcome, stage_outcome

PASS, FAIL, NOT = AcceptanceOutcome.PASS, AcceptanceOutcome.FAIL, AcceptanceOutcome.NOT_TESTED


def check(outcome: AcceptanceOutcome, *, essential: bool = True) -> Check:
    return Check("check", outcome, "text", essential=essential)


@pytest.mark.parametrize(
    ("checks", "outcome"),
    [
        ([], NOT),
        ([check(PASS)], PASS),
        ([check(PASS), check(FAIL)], FAIL),
        ([check(PASS), check(NOT)], NOT),
        ([check(PASS), check(NOT, essential=False)], PASS),
        ([check(NOT, essential=False)], NOT),
        ([check(PASS, essential=False)], NOT),
        ([check(PASS), check(FAIL, essential=False)], FAIL),
    ],
)
def test_a_stage_passes_only_where_every_essential_check_does(
    checks: list[Check], outcome: AcceptanceOutcome
) -> None:
    assert stage_outcome(checks) is outcome


def stage(outcome: AcceptanceOutcome, *, required: bool = True, number: int = 1) -> StageResult:
    return StageResult(number, "quiet", f"{number} quiet", required, outcome)


def test_a_run_passes_only_where_every_required_stage_does() -> None:
    assert overall_outcome(1, [stage(PASS)])[0] is PASS
    assert overall_outcome(2, [stage(PASS)])[0] is AcceptanceOutcome.INCOMPLETE
    assert overall_outcome(2, [stage(PASS), stage(NOT)])[0] is AcceptanceOutcome.INCOMPLETE
    assert overall_outcome(2, [stage(PASS), stage(NOT, required=False)])[0] is PASS
    assert overall_outcome(2, [stage(PASS), stage(FAIL, required=False)])[0] is FAIL
    assert overall_outcome(2, [stage(FAIL)], interrupted=True)[0] is FAIL


def test_a_run_of_nothing_is_no_pass() -> None:
    assert overall_outcome(0, [])[0] is AcceptanceOutcome.INCOMPLETE
    assert overall_outcome(1, [stage(PASS, required=False)])[0] is AcceptanceOutcome.INCOMPLETE
