"""Loopbacks: that the cable is in the loop is shown by its delay, or not at all."""

from __future__ import annotations

from typing import Any

from monitor.acceptance.results import AcceptanceOutcome
from tests.monitor.acceptance.test_quiet import raw as watch
from tests.support.acceptance import lines_of, result_of, short_plan, usual_stage


def outcome(inside: float | None, through: float | None) -> AcceptanceOutcome:
    loops: dict[str, Any] = {
        "internal": {"watch": watch(), "delay_ns": inside},
        "cable": {"watch": watch(), "delay_ns": through},
    }
    return result_of(short_plan("loopback"), {"loops": loops}).outcome


def test_the_cable_shows_by_its_delay() -> None:
    assert outcome(100.0, 1500.0) is AcceptanceOutcome.PASS
    assert outcome(1500.0, 100.0) is AcceptanceOutcome.FAIL
    assert outcome(100.0, 100.0) is AcceptanceOutcome.NOT_TESTED
    assert outcome(None, 100.0) is AcceptanceOutcome.NOT_TESTED


def test_an_error_in_one_of_them_fails_and_says_in_which() -> None:
    loops = {
        "internal": {"watch": watch(), "delay_ns": 1.0},
        "cable": {"watch": watch(moved={"code_violations": 1}), "delay_ns": 2.0},
    }
    result = result_of(short_plan("loopback"), {"loops": loops})
    assert [check.name for check in result.failed_checks] == ["cable: errors at p"]


def test_the_emulated_board_has_both() -> None:
    result = usual_stage("loopback")
    assert result.passed and "+1468.1 ns against the internal loop" in lines_of(result)
