"""Words that framefray does not use where people read: help, reports, screens and documents.

Each pattern stands for a word that the trade has a better one for. A word with other, innocent uses is given with
enough around it. Names of the contract (faults, counters, options, keys of JSON) are not prose and are left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.cli.command_line import build_parser
from monitor.delay.hop_plans import parse_plan
from monitor.delay.run import DelayRun
from monitor.emulation.transceiver import BoardSettings, EmulatedBoard
from monitor.reports.campaign_html import html_document
from monitor.reports.campaign_junit import junit_document
from monitor.reports.campaign_records import campaign_record
from monitor.reports.campaign_text import campaign_lines
from monitor.reports.delay_html import delay_page
from monitor.reports.delay_text import delay_lines
from monitor.reports.hop_text import hop_lines
from tests.support.commands import outcome

ROOT = Path(__file__).parents[1]

NOT_WRITTEN = {
    r"\bSaid\b|\bBreak\b": "Events, Inject",
    r"what was said|what is said": "events; what arrived",
    r"break what|break it\b|breaks? the link": "inject a fault",
    r"\bput in\b|\bputs? (a )?faults? in": "inject, injected",
    r"must move|must have moved|should have moved|\bmoved\b": "expected, observed",
    r"\bseen +well\b|\bnot seen\b": "detected after N hf, recovered after N hf",
    r"silent as declared": "no counter expected to change; none did",
    r"\bsteady\b": "constant, varies",
    r"\bfar[- ]ends?\b|found here|gone here|\(here\)|\(far\)": "local, remote; raised, cleared",
    r"\blanes?\b": "planes",
    r"did not come": "not received",
    r"breaks? of unknown length|nobody knows": "gap of unknown length",
    r"(?<![\w.`])slip(?![\w.`])": "alignment offset",
    r"\bk ?= ?2\b|\bk is\b": "coverage factor",
    r"turn(s|ed)? over|stands? still|send another": "invert, hold, replace",
    r"for how long": "duration in hyperframes",
    r"the truth about": "list of injected faults",
    r"\braw forms?\b": "data format",
    r"\bpaints?\b": "refreshes per second",
    r"loses nothing": "crash-safe",
    r"cannot be here|\bcannot be$": "not valid for this option",
    r"nothing \(0|nothing  \(0": "no errors (all 0: ...)",
    r"share of the C&M": "C&M channel utilisation",
    r"what the declaration|declaration lets": "allowed side effects",
    r"\bhalt(s|ed)?\b": "paused",
    r"subchannel (before|after)\b": "previous, next subchannel",
    r"radio heads?": "RE",
    r"\bcontrollers?\b": "REC",
    r"no light|no power": "controls no optics or RF itself",
    r"\bprove\b": "test, campaign",
    r"^(ok|FAIL|PASS) {2,}\S": "pass, fail, skip",
}
"""Pattern: what is written instead."""

STILL_OLD: tuple[str, ...] = ()
"""Texts that still have some of these words. May only shrink."""

PLAN = """
[plan]
name = "Saltmarsh"
option = 3
[[head]]
name = "RE-1"
length_m = 120.0
[[head]]
name = "RE-2"
after = "RE-1"
length_m = 40
"""


def old_words(text: str) -> list[str]:
    """Each line with such a word, and what is written instead."""
    found = []
    for line in text.splitlines():
        prose = re.sub(r"`[^`]*`|\"[a-z_]+\":|[\w.+-]*[_/][\w.+/-]*", "``", line)  # no code, keys, paths
        found += [
            f"{line.strip()!r}: write {word}" for old, word in NOT_WRITTEN.items() if re.search(old, prose)
        ]
    return found


OLD_LINES = """\
1 Said
break what?
fault put in
hdlc_fcs_errors must move by 1
      seen  well  verdict
silent as declared
not steady
at the far end
lanes
3 hyperframes did not come
2 breaks of unknown length
slip 3
(k = 2)
turn over one bit
for how long
the truth about it
raw form
paints a second
a kill loses nothing
this option cannot be
line      nothing  (0: code_violations)
share of the C&M channels
what the declaration lets it
halted
subchannel before
radio head
the controller
moves no light
prove it
ok    baseline
what was said?
"""


@pytest.mark.parametrize("line", OLD_LINES.splitlines())
def test_the_search_finds_old_words(line: str) -> None:
    assert old_words(line)


def test_the_search_leaves_names_and_other_words_alone() -> None:
    for text in (
        "`line.slip` inverts",
        "alignment_slip_bits 3",
        "break_of_day",
        "pass: no bit differs",
        "removed",
    ):
        assert old_words(text) == []


def commands() -> Iterator[str]:
    yield from next(a for a in build_parser()._actions if a.dest == "command").choices or ()


@pytest.mark.parametrize("command", ["", *commands()])
def test_help(command: str, capfd: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capfd, *filter(None, [command]), "--help")
    assert (status, err) == (0, "") and out.startswith("usage: framefray")
    assert old_words(" ".join(out.split("\n\n", 1)[1].split())) == []


DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "captures" / "README.md",
    ROOT / "monitor" / "protocol" / "PROTOCOL.md",
    ROOT / "monitor" / "faults" / "FAULTS.md",
    ROOT / "monitor" / "acceptance" / "BRINGUP.md",
    ROOT / "monitor" / "acceptance" / "PLAN.md",
    ROOT / "monitor" / "acceptance" / "STATISTICS.md",
    ROOT / "monitor" / "boards" / "BOARDS.md",
    ROOT / "monitor" / "campaign" / "CAMPAIGN.md",
    ROOT / "monitor" / "campaign" / "RECEIVERS.md",
    ROOT / "monitor" / "commands" / "WATCHING.md",
    ROOT / "monitor" / "formats" / "FORMATS.md",
    ROOT / "monitor" / "site" / "SITES.md",
    ROOT / "monitor" / "testing" / "TESTING.md",
    *sorted((ROOT / "tests" / "monitor" / "tui" / "golden").glob("*.txt")),
]


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_documents_and_screens(path: Path) -> None:
    text = re.sub(r"^```.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    if not str(path.relative_to(ROOT)).startswith(STILL_OLD):
        assert old_words(text) == []


def test_fault_list(capfd: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(capfd, "craft", "--faults")
    assert status == 0
    if "craft --faults" not in STILL_OLD:
        assert old_words(out) == []


def test_reports_of_decode_compare_and_rates(capfd: pytest.CaptureFixture[str]) -> None:
    captures = ROOT / "captures"
    for words in (
        ("decode", captures / "line-faults.bits"),
        ("decode", captures / "cm-faults.octets"),
        ("compare", captures / "clean.bits", captures / "clean.bits"),
        ("rates", "--hdlc-rate", "4"),
    ):
        status, out, err = outcome(capfd, *words)
        assert status == 0
        assert old_words(out + err) == []


def test_reports_of_delay() -> None:
    run = DelayRun(EmulatedBoard(BoardSettings(pair=True)), 5)
    while not run.done:
        run.step()
    text = "\n".join([*delay_lines(run.status()), *_prose(delay_page(run.status()))])
    plan = parse_plan(PLAN)
    assert old_words("\n".join(hop_lines(plan, plan.replaced("RE-1", 140.0)))) == []
    if "delay" not in STILL_OLD:
        assert old_words(text) == []


def test_reports_of_a_campaign() -> None:
    cases = [Case(()), Case(("hdlc.fcs",)), Case(("sync.filler",))]
    record = campaign_record(run_campaign(LinkConditions(option="1", hyperframes=40), cases))
    reports = [
        "\n".join(campaign_lines(record)),
        "\n".join(_prose(html_document(record))),
        "\n".join(_prose(junit_document(record).decode())),
    ]
    if "campaign" not in STILL_OLD:
        assert [old_words(report) for report in reports] == [[], [], []]


def _prose(page: str) -> Iterator[str]:
    """What stands between the tags of a page."""
    body = re.sub(r"<(style|script)\b.*?</\1>", "", page, flags=re.DOTALL)
    yield from (text.strip() for text in re.findall(r">([^<]+)<", body) if text.strip())
