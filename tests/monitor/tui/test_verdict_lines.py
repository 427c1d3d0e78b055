"""Verdicts in words: expected beside observed, and when."""

from __future__ import annotations

from monitor.faults.verdict import Finding, Verdict
from monitor.links.judgement import Judged
from monitor.links.snapshot import InjectedFault
from monitor.tui.feed import FaultTimes
from monitor.tui.line_pane import line_text
from monitor.tui.palette import Look
from monitor.tui.verdict_lines import verdict_lines


def told(
    verdict: Verdict, moved: dict[str, int], *findings: Finding, times: FaultTimes | None = None
) -> list[str]:
    fault = InjectedFault(0, "hdlc.fcs:xor=1", 40, {}, {})
    judged = Judged(fault, moved, verdict, findings, {"hdlc_fcs_errors": "+1"})
    return [line_text(line).rstrip() for line in verdict_lines(judged, times, 80, Look(False))]


def test_a_detected_fault_says_after_how_many_hyperframes() -> None:
    lines = told(Verdict.DETECTED, {"hdlc_fcs_errors": 1}, times=FaultTimes(3, 5))
    assert lines == [
        " 1 + detected after 3 hf, recovered after 5 hf  hdlc.fcs:xor=1 at hf 40",
        "   hdlc_fcs_errors expected +1, observed +1",
    ]


def test_a_side_effect_names_the_counter() -> None:
    beside = Finding(Verdict.SIDE_EFFECT, "vendor_changes", "vendor_changes: expected no change, observed +5")
    lines = told(
        Verdict.SIDE_EFFECT, {"hdlc_fcs_errors": 1, "vendor_changes": 5}, beside, times=FaultTimes(3, 3)
    )
    assert lines[0].startswith(" 1 ! side effect")
    assert " ".join(line.strip() for line in lines[1:]) == (
        "hdlc_fcs_errors expected +1, observed +1; vendor_changes: expected no change, observed +5"
    )


def test_nothing_is_dated_before_the_verdict_or_without_an_event() -> None:
    assert told(Verdict.WAITING, {}, times=FaultTimes(3, 5))[0] == " 1 - waiting  hdlc.fcs:xor=1 at hf 40"
    assert told(Verdict.MISSED, {}, times=FaultTimes())[0] == " 1 ! missed  hdlc.fcs:xor=1 at hf 40"
