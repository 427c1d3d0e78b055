"""Lines about a run: durations, stages, the verdict in a sentence."""

from __future__ import annotations

import pytest

from monitor.reports.acceptance_text import duration_text, plan_lines, result_lines


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "1 s"), (40, "40 s"), (89.4, "89 s"), (90, "2 min"), (3000, "50 min"), (7500, "2 h 5 min")],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration_text(seconds) == text


def test_a_plan_says_what_touches_a_board() -> None:
    stage = {"title": "1 delay", "required": False, "seconds": 3.0, "extent": "66 resets", "settings": {"resets": 66},
             "touches": "resets its transceiver"}  # fmt: skip
    record = {
        "name": "n",
        "link": "l",
        "stages": [stage],
        "left_out": ["soak"],
        "seconds": 3.0,
        "rate": 750.0,
    }
    lines = plan_lines(record)
    assert lines[1] == "  1 delay (not required): about 3 s, 66 resets"
    assert (
        "      makes the board transmit or reset: resets its transceiver" in lines
        and "  left out: soak" in lines
    )


def test_the_result_ends_with_the_verdict() -> None:
    checks = [{"name": "errors", "outcome": "fail", "text": "code_violations +1"}]
    stages = [{"title": "1 quiet", "outcome": "fail", "reason": "", "checks": checks},
              {"title": "2 rates", "outcome": "not tested", "reason": "no command", "checks": []}]  # fmt: skip
    record = {
        "stages": stages,
        "not_done": ["3 soak"],
        "left_out": ["ber"],
        "verdict": "fail",
        "reason": "failed: 1 quiet",
    }
    assert result_lines(record, "out") == [
        "1 quiet: fail; errors: code_violations +1",
        "2 rates: not tested: no command",
        "3 soak: not done",
        "ber: left out by the plan",
        "",
        "The verdict is fail: failed: 1 quiet. The evidence is in out.",
    ]
