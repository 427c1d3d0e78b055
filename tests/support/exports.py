"""Captures to export: crafted ones, clean and damaged, and what reads the results back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.emulation.traffic import IqTraffic, Tone

TONES_IQ = "M=15,fs=15.36,n=2"


def craft(path: Path, *arguments: str, option: str = "2", hyperframes: int = 20) -> Path:
    words = ["--option", option, "--hyperframes", str(hyperframes), *arguments]
    assert main(["craft", str(path), *words]) == 0
    return path


def tone(index: int, count: int, seed: int = 1) -> np.ndarray[Any, Any]:
    """What the emulated sender puts into its container `index`."""
    wave = Tone(100_000.0 * (2 * index + 1 + seed % 3), -12.0, 15_360_000.0)
    return IqTraffic(wave, 15).samples(0, count)


def decode_lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["decode", *arguments]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def mem_words(path: Path) -> list[int]:
    return [int(line, 16) for line in path.read_text().splitlines() if not line.startswith("//")]


def exported(tmp_path: Path, capture: Path, *arguments: str) -> list[int]:
    out = tmp_path / "words.hex"
    assert main(["export", str(capture), str(out), "--force", *arguments]) == 0
    return mem_words(out)
