"""Rate changes: each option anew, and a receiver of the rate before must find nothing."""

from __future__ import annotations

from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of

PLAN = short_plan(
    "rates", settings={"rates": 'hyperframes = 150\noptions = ["2", "4"]'}, source="emulated:pair"
)


def test_two_rates_and_what_each_must_show() -> None:
    result = stage_of(PLAN)
    assert result.passed, lines_of(result)
    names = [check.name for check in result.checks]
    assert "option 4: rate changed" in names and "option 2: rate changed" not in names
    assert "option 4: settings agreed" in names


def test_a_rate_that_did_not_change_or_settings_that_differ_fail() -> None:
    raw = dict(stage_of(PLAN).raw)
    raw["rates"][1]["old_in_sync"] = True
    raw["rates"][0]["rows"][0]["pointer_p"] = 30
    result = result_of(PLAN, raw)
    assert {c.name for c in result.failed_checks} == {"option 4: rate changed", "option 2: settings agreed"}


def test_a_rate_that_was_not_reached_is_not_tested() -> None:
    raw = dict(stage_of(PLAN).raw)
    raw["rates"] = raw["rates"][:1]
    assert result_of(PLAN, raw).outcome is AcceptanceOutcome.NOT_TESTED
