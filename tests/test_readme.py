"""Every command line of README.md: all of them are accepted by the parser, and those that need no board are run."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from monitor.cli.command_line import build_parser
from tests.support.commands import outcome

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = TEXT.split("```")[1::2]
LINES = [line for block in BLOCKS for line in block.splitlines() if line.startswith("framefray ")]
RUN = ("decode captures", "craft", "inject emulated", "compare", "export", "rates", "record emulated")
"""Beginnings of the lines that are run here; the others need a terminal, a board or more time."""


def words_of(line: str, folder: Path | None = None) -> list[str]:
    words = shlex.split(line, comments=True)[1:]
    if "<" in words:
        words = words[: words.index("<")]
    return [w.replace("/tmp/", f"{folder}/") if folder and w.startswith("/tmp/") else w for w in words]


@pytest.mark.parametrize("line", LINES)
def test_the_parser_takes_it(line: str) -> None:
    assert build_parser().parse_args(words_of(line)).command == line.split()[1]


def test_the_lines_that_need_no_board_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    run = [line for line in LINES if line.removeprefix("framefray ").startswith(RUN)]
    assert len(run) >= 11
    for line in run:
        status, out, err = outcome(capfd, *words_of(line, tmp_path))
        assert status == 0, (line, err)
        assert out or err


def test_links_lead_to_files() -> None:
    for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", TEXT):
        assert (ROOT / target).exists(), target
