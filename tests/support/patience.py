"""Limits of time in tests, all from one factor: a slow or busy machine sets FRAMEFRAY_TEST_PATIENCE=3."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

__all__ = ["FACTOR", "patience", "wait_until"]

FACTOR = float(os.environ.get("FRAMEFRAY_TEST_PATIENCE", "1"))


def patience(seconds: float) -> float:
    """A limit that fails only what hangs: `seconds` on an idle machine."""
    return seconds * FACTOR


def wait_until(condition: Callable[[], object], seconds: float = 30.0, every: float = 0.05) -> None:
    """Return as soon as `condition` holds; AssertionError where it does not in time."""
    end = time.monotonic() + patience(seconds)
    while not condition():
        assert time.monotonic() < end, (
            f"{getattr(condition, '__name__', 'condition')} does not hold in {seconds:g} s"
        )
        time.sleep(every)
