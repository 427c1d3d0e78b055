"""Rate changes: each option anew, and a receiver of the rate before must find nothing."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of

SETTINGS = 'hyperframes = 150\noptions = ["1", "2"]'
PLAN = short_plan("rates", settings={"rates": SETTINGS}, source="emulated:pair")


@cache
def measured() -> str:
    return json.dumps(dict(stage_of(PLAN).raw))


def raw_results() -> dict[str, Any]:
    raw: dict[str, Any] = json.loads(measured())
    return raw


def test_two_rates_and_what_each_must_show() -> None:
    result = result_of(PLAN, raw_results())
    assert result.passed, lines_of(result)
    names = [check.name for check in result.checks]
    assert "option 2: rate changed" in names and "option 1: rate changed" not in names
    assert "option 2: settings agreed" in names


def test_a_rate_that_did_not_change_or_settings_that_differ_fail() -> None:
    raw = raw_results()
    raw["rates"][1]["old_in_sync"] = True
    raw["rates"][0]["rows"][0]["pointer_p"] = 30
    result = result_of(PLAN, raw)
    assert {c.name for c in result.failed_checks} == {"option 2: rate changed", "option 1: settings agreed"}


def test_a_rate_that_was_not_reached_is_not_tested() -> None:
    raw = raw_results()
    raw["rates"] = raw["rates"][:1]
    assert result_of(PLAN, raw).outcome is AcceptanceOutcome.NOT_TESTED
