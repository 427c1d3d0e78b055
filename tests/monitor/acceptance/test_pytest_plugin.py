"""The fixture `acceptance`: a stage in a test, and no board touched without a yes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from _pytest.outcomes import Skipped

from monitor.acceptance.pytest_plugin import acceptance
from monitor.acceptance.results import StageResult
from monitor.errors import InputError

__all__ = ["acceptance"]
Acceptance = Callable[[str, str | int], StageResult]
VENDOR = 'source = "emulated"\n[settings.vendor]\nplaces = 1\n'


def test_a_stage_by_its_kind_or_number(acceptance: Acceptance, tmp_path: Path) -> None:
    assert acceptance(VENDOR, "vendor").passed
    (tmp_path / "plan.toml").write_text(VENDOR)
    assert acceptance(str(tmp_path / "plan.toml"), 7).kind == "vendor"
    with pytest.raises(InputError, match="the plan has no stage 0"):
        acceptance(VENDOR, "no such")


def test_a_board_is_not_touched_without_a_yes(acceptance: Acceptance) -> None:
    with pytest.raises(Skipped, match="--framefray-yes allows it: delay: resets"):
        acceptance('source = "socket://127.0.0.1:9"', "delay")
