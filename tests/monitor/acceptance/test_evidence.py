"""What follows from stored results: the same report, octet for octet, whenever it is derived."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.acceptance.evidence import Evidence, captures_against, derived_result, stored_stage
from monitor.acceptance.folder import EvidenceFolder
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.results import AcceptanceOutcome, Check
from monitor.acceptance.run import AcceptanceRun, begin_evidence
from monitor.errors import InputError
from tests.support.acceptance import short_plan


def test_reports_are_derived_the_same_again(tmp_path: Path) -> None:
    plan = short_plan("vendor", "delay")
    AcceptanceRun(plan, open_rig(plan), begin_evidence(tmp_path / "e", plan)).run()
    evidence = Evidence.read(EvidenceFolder.existing(tmp_path / "e"))
    for name, octets in evidence.reports().items():
        assert (tmp_path / "e" / name).read_bytes() == octets


def test_results_of_another_stage_are_refused() -> None:
    plan = short_plan("vendor", "quiet")
    stored = stored_stage(plan.stages[0], raw={"rows": []})
    with pytest.raises(InputError, match="holds the results of another stage"):
        derived_result(plan.stages[1], stored)


@pytest.mark.parametrize("raw", [{}, {"rows": 5}, {"rows": [{}]}, 5, [], "text"])
def test_damaged_results_are_an_input_error(raw: object) -> None:
    stage = short_plan("vendor").stages[0]
    with pytest.raises(InputError, match="is damaged"):
        derived_result(stage, stored_stage(stage, raw=raw))  # type: ignore[arg-type]


def test_captures_with_errors_go_against_a_pass() -> None:
    passed = [Check("a", AcceptanceOutcome.PASS, "")]
    dirty = {"file": "captures/x", "failure": True, "clean": False, "counters": {"code_violations": 1}}
    (against,) = captures_against(passed, [dirty])
    assert against.outcome is AcceptanceOutcome.FAIL and "code_violations +1" in against.text
    assert captures_against([Check("a", AcceptanceOutcome.FAIL, "")], [dirty]) == []
    assert captures_against(passed, [dirty | {"failure": False, "clean": True}]) == []
