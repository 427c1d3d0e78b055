"""Link-up: times in line time, and a reset that a board does not count."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of, usual_stage


def row(**changes: Any) -> dict[str, Any]:
    usual = {
        "reset": 1, "point": "p", "sync_ms": 0.3, "operation_ms": 10.4, "resolution_ms": 0.13, "state": "F",
        "inverted": False, "rai_raised_after": None, "rai_cleared": None, "watches_rai": False, "alignment": 3,
        "version": 1, "hdlc_rate_code": 3, "pointer_p": 40, "reset_counted": None,
    }  # fmt: skip
    return usual | changes


def failing(*rows: dict[str, Any]) -> list[str]:
    plan = short_plan("link_up", settings={"link_up": f"resets = {len(rows)}"})
    raw = {"rows": [each | {"reset": number} for number, each in enumerate(rows, 1)]}
    return [check.name for check in result_of(plan, raw).failed_checks]


@pytest.mark.parametrize(
    ("changes", "check"),
    [
        ({}, None),
        ({"sync_ms": None, "operation_ms": None}, "hyperframe sync"),
        ({"sync_ms": 101.0}, "hyperframe sync"),
        ({"operation_ms": 1001.0}, "operation"),
        ({"inverted": True}, "polarity"),
        ({"reset_counted": False}, "resets seen"),
        ({"reset_counted": True}, None),
        ({"watches_rai": True, "rai_raised_after": 2, "rai_cleared": True}, None),
        ({"watches_rai": True, "rai_raised_after": None, "rai_cleared": False}, "RAI from the remote end"),
        ({"watches_rai": True, "rai_raised_after": 31, "rai_cleared": True}, "RAI from the remote end"),
        ({"watches_rai": True, "rai_raised_after": 2, "rai_cleared": False}, "RAI from the remote end"),
    ],
)
def test_a_row_and_the_check_that_fails(changes: dict[str, Any], check: str | None) -> None:
    names = failing(row(), row(**changes))
    assert (check in names) if check else not names


def test_fewer_resets_than_asked_for_are_no_pass() -> None:
    result = result_of(short_plan("link_up", settings={"link_up": "resets = 3"}), {"rows": [row()]})
    assert result.outcome is AcceptanceOutcome.FAIL and "1 reset measured" in lines_of(result)


def test_times_of_the_emulated_link_are_those_of_the_machine() -> None:
    """Four sync bytes for HFNSYNC; state F one 10 ms frame after the last change (model)."""
    rows = usual_stage("link_up").raw["rows"]
    for each in rows:
        assert 3 / 15 <= each["sync_ms"] <= 6 / 15
        assert 10.0 <= each["operation_ms"] <= 11.0


def test_alignments_differ_from_reset_to_reset() -> None:
    rows = stage_of(short_plan("link_up", settings={"link_up": "resets = 4"})).raw["rows"]
    assert len({each["alignment"] for each in rows}) > 1
