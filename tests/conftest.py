"""What holds for all tests."""

from __future__ import annotations

import os
import signal

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """A shell that starts this in the background ignores SIGINT, and nohup SIGHUP; tests of signals need both."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    hang_up = getattr(signal, "SIGHUP", None)
    if hang_up is not None and signal.getsignal(hang_up) is signal.SIG_IGN:
        signal.signal(hang_up, signal.SIG_DFL)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One more than there are cores: many tests wait for a board or a screen."""
    return (os.cpu_count() or 1) + 1
