"""The library: its examples run, and a board is touched only where that was allowed."""

from __future__ import annotations

import dataclasses
import doctest

import pytest

from monitor.acceptance import api
from monitor.errors import InputError


def test_the_examples_run() -> None:
    assert doctest.testmod(api).failed == 0


def test_a_board_is_not_touched_without_a_yes() -> None:
    plan = api.open_plan('source = "socket://127.0.0.1:9"\n')
    with pytest.raises(InputError, match=r"makes the board transmit or reset \(delay: resets"):
        api.run_stage(plan, 9)


def test_results_are_frozen() -> None:
    result = api.run_stage(api.open_plan('source = "emulated"\n[[stage]]\nkind = "vendor"\nplaces = 1\n'), 1)
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.outcome = api.AcceptanceOutcome.FAIL  # type: ignore[misc]


def test_a_stage_that_is_not_there_is_an_input_error() -> None:
    with pytest.raises(InputError, match="the plan has no stage 12; it has 11"):
        api.run_stage(api.open_plan('source = "emulated"\n'), 12)
