"""The delay budget of a chain in words and as a record."""

from __future__ import annotations

import pytest

from monitor.delay.hop_plans import HopPlan, parse_plan
from monitor.reports.hop_text import hop_lines, hop_record, picture

PLAN = """
[plan]
name = "Saltmarsh"
option = 3
budget_ns = 65
[[head]]
name = "RE-1"
length_m = 100.0
[[head]]
name = "RE-2"
after = "RE-1"
length_m = 250
[[head]]
name = "RE-3"
length_m = 40
"""


@pytest.fixture
def plan() -> HopPlan:
    return parse_plan(PLAN)


def test_the_picture_shows_who_is_behind_whom(plan: HopPlan) -> None:
    lines = picture(plan, ascii_only=True)
    assert lines[0] == "REC-A"
    assert lines[1].startswith("|-- 100 m") and lines[1].endswith("RE-1")
    assert lines[2].startswith("|   `-- 250 m") and lines[2].endswith("RE-2")
    assert lines[3].startswith("`-- 40 m") and lines[3].endswith("RE-3")
    assert "├─" in "".join(picture(plan))


def test_text_and_record_say_the_same(plan: HopPlan) -> None:
    lines, record = hop_lines(plan), hop_record(plan)
    assert lines[0] == "Saltmarsh: 3 RE"
    assert lines[-1] == "verdict: pass" and record["verdict"] == "pass"
    for head in record["heads"]:
        (row,) = [line for line in lines if line.startswith(f"  {head['name']:10} ")]
        assert f"{head['one_way_ns']:.3f}" in row and f"{head['buffer_ns']:.3f}" in row
    assert f"skew without buffers {record['skew_ns']:.3f} ns" in "\n".join(lines)
    assert f"margin {record['margin_ns']:.3f} ns" in "\n".join(lines)


def test_a_budget_that_is_too_small_fails() -> None:
    plan = parse_plan(PLAN.replace("budget_ns = 65", "budget_ns = 0.5"))
    assert hop_lines(plan)[-1] == "verdict: fail: the budget is smaller than the uncertainty"
    assert hop_record(plan)["verdict"] == "fail"


def test_a_replaced_cable_is_shown_against_the_old_buffers(plan: HopPlan) -> None:
    lines = hop_lines(plan, plan.replaced("RE-3", 140.0), ascii_only=True)
    at = lines.index("  with the cables replaced:")
    assert "RE-3" in lines[at + 3] and "->" in lines[at + 3]
    assert lines[at + 4].startswith("    with the old buffers the RE are ") and "budget" in lines[at + 4]
    assert all(line.isascii() for line in lines)
    assert hop_record(plan, plan.replaced("RE-3", 140.0))["replaced"]["skew_ns"] < hop_record(plan)["skew_ns"]
