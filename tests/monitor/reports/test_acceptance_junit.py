"""JUnit XML of an acceptance run: what is not tested is no pass."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

from monitor.reports.acceptance_junit import acceptance_junit


def record(**changes: Any) -> dict[str, Any]:
    def stage(number: int, outcome: str, *, required: bool = True) -> dict[str, Any]:
        checks = [{"name": "errors", "outcome": outcome, "text": "+1 <b>\x1b"}]
        return {"title": f"{number} quiet", "kind": "quiet", "outcome": outcome, "required": required, "seconds": 1.0,
                "reason": "no board", "checks": checks, "repeat_with": "framefray accept"}  # fmt: skip

    usual = {
        "name": "test", "verdict": "fail", "reason": "failed", "link": {"seed": "1"}, "versions": {"numpy": "2"},
        "stages": [stage(1, "pass"), stage(2, "fail"), stage(3, "not tested"),
                   stage(4, "not tested", required=False)],
    }  # fmt: skip
    return usual | changes


def test_each_stage_is_a_case_with_its_outcome() -> None:
    root = ElementTree.fromstring(acceptance_junit(record()))
    cases = root.findall(".//testcase")
    assert [[child.tag for child in case] for case in cases] == [[], ["failure"], ["error"], ["skipped"]]
    assert "\\x1b" in (cases[1].find("failure").get("message") or "")  # type: ignore[union-attr]


def test_a_run_that_is_not_complete_has_an_error() -> None:
    root = ElementTree.fromstring(acceptance_junit(record(verdict="incomplete", stages=[])))
    assert [child.tag for case in root.findall(".//testcase") for child in case] == ["error"]
