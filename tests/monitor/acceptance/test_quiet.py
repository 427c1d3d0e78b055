"""Quiet run and soak: what is judged from intervals."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.acceptance.results import AcceptanceOutcome
from monitor.acceptance.stage_settings import QuietSettings, SoakSettings
from monitor.acceptance.stages import STAGES
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of


def raw(*, form: str = "bits", settled: bool = True, in_sync: bool = True, **changes: Any) -> dict[str, Any]:
    interval = {
        "point": 0,
        "hyperframes": 300,
        "missing": 0,
        "missed": 0,
        "errored": 0,
        "moved": {},
    } | changes
    return {
        "points": ["p"], "octets_per_hyperframe": 8192, "intervals": [interval], "settled": [settled],
        "in_sync": [in_sync], "forms": [form], "unseen": [[]],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({}, "pass"),
        ({"hyperframes": 299}, "fail"),
        ({"moved": {"hdlc_fcs_errors": 1}}, "fail"),
        ({"moved": {"remote_rai": 1}}, "fail"),
        ({"missed": 1}, "fail"),
        ({"missing": 40}, "pass"),
        ({"settled": False}, "fail"),
        ({"in_sync": False}, "fail"),
        ({"form": "octets"}, "pass"),
    ],
)
def test_the_quiet_run(changes: dict[str, Any], outcome: str) -> None:
    assert result_of(short_plan("quiet"), raw(**changes)).outcome.value == outcome


def test_what_does_not_show_is_said() -> None:
    said = lines_of(result_of(short_plan("quiet"), raw(form="octets", missing=40)))
    assert "not tested: not visible at p: errors of the line code do not show in octets" in said
    assert "40 more were not received here and are not judged" in said


def test_seconds_and_hyperframes_the_longer_one_counts() -> None:
    quiet: Any = STAGES["quiet"]
    assert quiet.extent(QuietSettings(hyperframes=200, seconds=1.0)) == 15_000
    assert quiet.extent(QuietSettings(hyperframes=20_000, seconds=1.0)) == 20_000
    soak: Any = STAGES["soak"]
    assert soak.extent(SoakSettings(seconds=1.0, hours=2.0)) == 7201 * 15_000


def test_errored_seconds_that_are_allowed() -> None:
    one = raw(moved={"code_violations": 3}, errored=1)
    assert result_of(short_plan("soak"), one).outcome is AcceptanceOutcome.FAIL
    assert result_of(short_plan("soak", settings={"soak": "seconds = 0.02\nerrored_seconds = 1"}), one).passed


def test_a_pair_counts_errors_of_both_directions_apart() -> None:
    plan = short_plan("quiet", source="emulated:pair", emulated='faults = ["line.flip@150"]')
    assert [check.name for check in stage_of(plan).failed_checks] == ["errors at RE-1>REC-A"]
