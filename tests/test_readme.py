"""README.md and the pages behind it: the parser takes all commands, those without a board run, links lead on."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from monitor.cli.command_line import build_parser
from tests.support.commands import outcome

ROOT = Path(__file__).parents[1]
PAGES = {
    page: (ROOT / page).read_text(encoding="utf-8")
    for page in (
        "README.md",
        "monitor/boards/BOARDS.md",
        "monitor/campaign/CAMPAIGN.md",
        "monitor/commands/WATCHING.md",
        "monitor/formats/FORMATS.md",
        "monitor/site/SITES.md",
        "monitor/testing/TESTING.md",
    )
}
BLOCKS = [block for text in PAGES.values() for block in text.split("```")[1::2]]
LINES = list(
    dict.fromkeys(line for block in BLOCKS for line in block.splitlines() if line.startswith("framefray "))
)
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


def headings(text: str) -> set[str]:
    """Anchors of a page's headings: in small letters, without punctuation, hyphens for spaces."""
    titles = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_to_files_and_headings(page: str) -> None:
    for target, heading in re.findall(r"\]\((?!https?:)([^)#]+)#?([^)]*)\)", PAGES[page]):
        path = (ROOT / page).parent / target
        assert path.exists(), target
        assert not heading or heading in headings(path.read_text(encoding="utf-8")), (target, heading)


def test_the_readme_leads_to_every_page() -> None:
    assert [page for page in PAGES if page != "README.md" and f"]({page})" not in PAGES["README.md"]] == []
