"""The text and the record of faults on a chain; see the trials of the campaign for whole ones."""

from __future__ import annotations

from monitor.campaign.chain_trial import ChainTrial, PointResult
from monitor.faults.kinds import Expectation
from monitor.faults.segments import SegmentInjection
from monitor.faults.verdict import Declared, Finding, Verdict
from monitor.reports.chain_text import chain_trial_lines, chain_trial_record
from monitor.sources.names import Segment

HOP = Segment("RE-1", "RE-2")
INJECTION = SegmentInjection(
    9,
    "vendor.flip@9:segment=RE-1>RE-2",
    {"vendor_changes": 2},
    segment=HOP,
    expectations={HOP: Expectation()},
)


def trial(verdict: Verdict, *findings: Finding) -> ChainTrial:
    declared = Declared(Expectation({"vendor_changes": 2}, tolerated={"hdlc_frames": "traffic"}))
    return ChainTrial(
        (INJECTION,), 40, (PointResult(HOP, declared, {"vendor_changes": 1}, verdict, findings),)
    )


def test_a_point_that_fails_says_why() -> None:
    missed = Finding(Verdict.MISCOUNTED, "vendor_changes", "vendor_changes: expected +2, observed +1")
    lines = list(chain_trial_lines(trial(Verdict.MISCOUNTED, missed)))
    assert lines == [
        "injected  vendor.flip@9:segment=RE-1>RE-2",
        "",
        "fail  RE-1>RE-2              miscounted",
        "      expected vendor_changes +2; observed vendor_changes +1",
        "      vendor_changes: expected +2, observed +1",
        "",
        "fail: not as expected at RE-1>RE-2",
    ]


def test_the_record() -> None:
    record = chain_trial_record(trial(Verdict.DETECTED))
    assert record["passed"] and record["hyperframes"] == 40
    assert record["faults"] == [
        {"fault": INJECTION.text, "segment": "RE-1>RE-2", "hyperframe": 9, "expected": {"vendor_changes": 2}}
    ]
    (point,) = record["points"]
    assert (point["expected"], point["moved"]) == ({"vendor_changes": "+2"}, {"vendor_changes": 1})
    assert (point["result"], point["tolerated"], point["findings"]) == ("pass", ["hdlc_frames"], [])
