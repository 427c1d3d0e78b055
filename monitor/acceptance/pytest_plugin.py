"""pytest fixture `acceptance`: a stage of an acceptance plan in a test of one's own.

    def test_the_delay_is_constant(acceptance):
        result = acceptance('source = "/dev/ttyUSB0"', "delay")
        assert result.passed, result.failed_checks

A plan is TOML text or a path that ends in .toml; the stage is its kind (the first one of it) or its number. A board
is made to transmit or reset only with --framefray-yes; without it the test is skipped. Nothing of weight is imported
before the fixture is used.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from .results import StageResult

__all__ = ["acceptance"]


@pytest.fixture
def acceptance(request: pytest.FixtureRequest) -> Callable[[str, str | int], StageResult]:
    """`acceptance(plan, stage)` runs one stage and returns its frozen result; InputError for a plan with mistakes."""
    allow = bool(request.config.getoption("--framefray-yes", default=False))

    def run(plan: str, stage: str | int) -> StageResult:
        from .api import open_plan, open_plan_file, run_stage
        from .dry_run import touched
        from .opening_rigs import open_rig

        read = open_plan_file(plan) if plan.endswith(".toml") else open_plan(plan)
        number = next((each.number for each in read.stages if stage in (each.kind, each.number)), 0)
        rig = open_rig(read)
        if not allow and (what := touched(read, rig, [number])):
            pytest.skip(f"--framefray-yes allows it: {what[0]}")
        return run_stage(read, number, rig=rig, allow=True)

    return run
