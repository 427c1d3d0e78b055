"""The acceptance page: one file, text stays text, and on A4 no page is cut."""

from __future__ import annotations

import copy
import re
import shutil
import subprocess
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from monitor.acceptance.api import open_plan
from monitor.acceptance.evidence import Evidence, acceptance_record
from monitor.acceptance.folder import EvidenceFolder
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.run import AcceptanceRun, begin_evidence
from monitor.reports.acceptance_html import acceptance_page
from tests.support.acceptance import short_plan

HOSTILE = '</td><script>alert(1)</script><b>"&\x1b[31m\u202e'


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    path = tmp_path_factory.mktemp("page") / "run"
    kinds = ("quiet", "delay", "iq_integrity", "campaign", "loopback")
    emulated = 'faults = ["line.flip@150"]\ncompensation = "off-by-one"'
    plan = short_plan(*kinds, source="emulated:pair", emulated=emulated, more='leave_out = ["soak"]')
    AcceptanceRun(plan, open_rig(plan), begin_evidence(path, plan)).run()
    return acceptance_record(Evidence.read(EvidenceFolder.existing(path)))


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def tags(page: str) -> list[tuple[str, dict[str, str | None]]]:
    parser = _Tags()
    parser.feed(page)
    return parser.tags


def test_the_first_page_says_what_was_and_was_not_tested(record: dict[str, Any]) -> None:
    first = acceptance_page(record).partition('id="stage-1"')[0]
    wanted = ["FAIL", "failed: 1 quiet, 2 delay", "Not tested", "5 loopback</strong> (required)"]
    wanted += ["soak</strong>: left out", "Equipment and settings", "accepted by", "laser radiation"]
    for words in (*wanted, "2 (1228.8 Mbit/s)"):
        assert words in first, words


def test_nothing_is_fetched_and_no_script_runs(record: dict[str, Any]) -> None:
    page = acceptance_page(record)
    seen = tags(page)
    assert not {tag for tag, _ in seen} & {"script", "link", "img", "iframe", "object", "image"}
    assert not [attrs for _, attrs in seen if {"src", "href", "onload", "onclick"} & set(attrs)]
    assert "default-src 'none'" in page and "url(" not in page and "@import" not in page
    assert sum(tag == "svg" for tag, _ in seen) >= 4


def poisoned(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: poisoned(each) for key, each in value.items()}
    if isinstance(value, list):
        return [poisoned(each) for each in value]
    return value + HOSTILE if isinstance(value, str) else value


def test_hostile_text_stays_text(record: dict[str, Any]) -> None:
    bad = poisoned(copy.deepcopy(record))
    for stage, good in zip(
        bad["stages"], record["stages"], strict=True
    ):  # what the template asks for by name
        stage |= {"kind": good["kind"], "outcome": good["outcome"], "raw": good["raw"]}
        for check, right in zip(stage["checks"], good["checks"], strict=True):
            check["outcome"] = right["outcome"]
    bad["equipment"] = {f"key{HOSTILE}": f"text{HOSTILE}"}
    page = acceptance_page(bad)
    assert not [tag for tag, _ in tags(page) if tag in ("script", "b")]
    assert "\x1b" not in page and "\u202e" not in page and "&lt;script&gt;" in page


def test_each_failure_has_the_command_that_repeats_it(record: dict[str, Any]) -> None:
    page = acceptance_page(record)
    assert "framefray accept plan.toml --stage 1 --out again" in page
    assert "framefray accept plan.toml --stage 2 --out again" in page


def test_verdicts_have_signs_and_words_beside_any_colour(record: dict[str, Any]) -> None:
    page = acceptance_page(record)
    style = page[page.index("<style>") : page.index("</style>")]
    colours = set(re.findall(r"#[0-9a-f]{3,6}", style))
    assert colours <= {"#1b2330", "#566171", "#c4ccd5", "#f3f5f8", "#fff"}  # greys alone
    assert '<td class="fail">fail</td>' in page


@cache
def browser() -> str | None:
    return next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)


@pytest.mark.slow
@pytest.mark.skipif(
    browser() is None or shutil.which("pdftotext") is None, reason="needs chromium and pdftotext"
)
def test_it_prints_on_a4_with_every_stage_on_it(record: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(acceptance_page(record))
    command = [str(browser()), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [*command, f"--print-to-pdf={tmp_path}/page.pdf", f"file://{tmp_path}/page.html"],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    info = subprocess.run(
        ["pdfinfo", f"{tmp_path}/page.pdf"], check=True, capture_output=True, text=True
    ).stdout
    assert "A4" in info
    text = subprocess.run(
        ["pdftotext", "-layout", f"{tmp_path}/page.pdf", "-"], check=True, capture_output=True, text=True
    )
    first = text.stdout.partition("\f")[0]
    assert "Signatures" in first and "Not tested" in first and "Cautions" in first
    for stage in record["stages"]:
        assert f"{stage['title']}: {stage['outcome']}" in text.stdout


def test_a_plan_of_defaults_has_a_page_before_anything_is_done(tmp_path: Path) -> None:
    plan = open_plan('source = "emulated"\n')
    evidence = Evidence.read(begin_evidence(tmp_path / "e", plan))
    page = acceptance_page(acceptance_record(evidence))
    assert "INCOMPLETE" in page and "11 soak" in page
