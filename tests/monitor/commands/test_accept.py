"""`framefray accept`: dry run, verdict and exit status, one question, progress in a pipe."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli.main import main
from tests.support.acceptance import short_plan

ROOT = Path(__file__).parents[3]


@pytest.fixture
def plan(tmp_path: Path) -> str:
    path = tmp_path / "plan.toml"
    path.write_text(short_plan("vendor", "delay").text)
    return str(path)


def test_a_dry_run_makes_nothing(plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["accept", plan, "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "1 vendor: about" in said and "2 delay: about" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml"]
    assert main(["accept", plan, "--dry-run", "--json", "--stage", "2"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["schema"] == "framefray.accept-dry-run/1" and len(record["stages"]) == 1


def test_a_run_and_its_exit_status(plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "evidence")
    assert main(["accept", plan, "--out", out]) == 0
    text = capsys.readouterr()
    assert (
        "The verdict is pass" in text.out and "framefray: 2 delay: pass" in text.err and "\r" not in text.err
    )
    assert main(["accept", plan, "--out", out]) == 2  # it is there already
    assert "is not empty" in capsys.readouterr().err
    assert main(["accept", plan, "--out", out, "--resume", "--json"]) == 0  # nothing is left to do
    assert json.loads(capsys.readouterr().out)["verdict"] == "pass"


def test_some_stages_alone_are_no_pass_of_the_plan(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["accept", plan, "--out", str(tmp_path / "e"), "--stage", "2"]) == 1
    assert "only some stages" in capsys.readouterr().out
    assert main(["accept", plan, "--out", str(tmp_path / "f"), "--stage", "9"]) == 2
    assert not (tmp_path / "f").exists()


def test_mistakes_are_one_line(tmp_path: Path, plan: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["accept", plan]) == 2
    assert "accept needs --out FOLDER" in capsys.readouterr().err
    assert main(["accept", str(tmp_path / "none.toml"), "--dry-run"]) == 2
    assert main(["accept", plan, "--out", str(tmp_path / "none"), "--resume"]) == 2
    assert "no such folder" in capsys.readouterr().err


def test_a_board_is_touched_after_a_yes_alone(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(short_plan("delay", source="socket://127.0.0.1:9").text)
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "accept", str(path), "--out", str(tmp_path / "e")],
        check=False, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2 and "makes the board transmit or reset: delay: resets" in done.stderr
    assert not (tmp_path / "e").exists()
