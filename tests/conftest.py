"""What holds for all tests."""

from __future__ import annotations

import signal

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """A shell that starts this in the background ignores SIGINT, and nohup SIGHUP; tests of signals need both."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    hang_up = getattr(signal, "SIGHUP", None)
    if hang_up is not None and signal.getsignal(hang_up) is signal.SIG_IGN:
        signal.signal(hang_up, signal.SIG_DFL)
