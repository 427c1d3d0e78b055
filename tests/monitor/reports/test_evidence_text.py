"""Lines about evidence that was checked or compared."""

from __future__ import annotations

from typing import Any

from monitor.reports.evidence_text import check_lines, difference_lines


def checked(**changes: Any) -> list[str]:
    usual = {"problems": [], "notes": [], "passed": True, "complete": True, "folder": "f", "files": 3, "captures": 1,
             "verdict": "fail", "reason": "r", "manifest_sha256": "00ff"}  # fmt: skip
    return check_lines(usual | changes)


def test_a_whole_folder_says_so_and_its_verdict() -> None:
    assert checked() == [
        "f: whole: 3 files as in the manifest, 1 capture decoded anew; its verdict follows: fail.",
        "SHA-256 of its manifest.json: 00ff",
    ]


def test_problems_come_first() -> None:
    lines = checked(passed=False, problems=["report.json: has changed"])
    assert lines[0] == "report.json: has changed" and "1 problem" in lines[1]
    assert "INCOMPLETE" in checked(passed=False, complete=False, problems=["x"])[-1]


def test_changes_and_the_rest() -> None:
    rows = [
        {"text": "delay: a -> b", "beyond_uncertainty": True},
        {"text": "ber: a -> b", "beyond_uncertainty": False},
    ]
    assert difference_lines({"quantities": rows, "only": ["x: only in A"]}) == [
        "changed: delay: a -> b", "within uncertainty: ber: a -> b", "x: only in A", "1 change beyond uncertainty."
    ]  # fmt: skip
    assert difference_lines({"quantities": [], "only": []}) == ["No change beyond uncertainty."]
