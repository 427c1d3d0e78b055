"""Commands run in this process."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.cli import main as cli

__all__ = ["outcome"]


def outcome(capfd: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of `framefray` with these words."""
    capfd.readouterr()
    try:
        status = cli.main([str(word) for word in words])
    except SystemExit as end:  # argparse
        assert isinstance(end.code, int)
        status = end.code
    return status, *capfd.readouterr()
