"""Campaign reports: text within 80 columns, JSON, JUnit read back by junitparser, a page that Chromium shows."""

from __future__ import annotations

import html
import json
import re
import shlex
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped

from decoders.counters import COUNTERS
from decoders.events import Event, FrameReceived, FrameStatus, OctetsChanged, Plane
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.campaign import receivers
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receivers import ProjectReceiver
from monitor.campaign.results import Campaign
from monitor.campaign.rules import rules_of
from monitor.cli.main import main
from monitor.commands import campaign as command
from monitor.faults.verdict import Finding, Verdict
from monitor.reports.campaign_html import html_document
from monitor.reports.campaign_junit import junit_document
from monitor.reports.campaign_records import campaign_record, run_record
from monitor.reports.campaign_text import campaign_lines, summary_line
from tests.support.patience import patience
from tests.support.receivers import receiver_of

CASES = [
    Case(tuple(name.split(" + ")))
    for name in (
        "line.violation:count=16", "sync.filler", "hdlc.fcs", "vendor.value", "iq.flip", "ethernet.code",
        "sync.filler + ethernet.delimiter + hdlc.unaligned",
    )
]  # fmt: skip


class Flawed(LinkDecoder):
    """Takes a wrong HDLC FCS for good, and a change of a vendor specific octet for two."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        events = super().receive(data, now)
        vendor = [e for e in events if isinstance(e, OctetsChanged) and e.plane is Plane.VENDOR]
        self.counters["vendor_changes"] += sum(
            e.places == b"\x14\x01\x00" and e.new == b"\xa5" for e in vendor
        )
        self.counters["hdlc_frames"] += self.counters["hdlc_fcs_errors"]
        self.counters["hdlc_fcs_errors"] = 0
        return [e for e in events if not (isinstance(e, FrameReceived) and e.status is FrameStatus.FCS)]


@pytest.fixture(scope="module")
def good() -> dict[str, Any]:
    return campaign_record(run_campaign(LinkConditions(), CASES))


@pytest.fixture(scope="module")
def campaign() -> Campaign:
    return run_campaign(LinkConditions(option="1", seed=4), CASES, receiver=receiver_of(Flawed))


@pytest.fixture(scope="module")
def bad(campaign: Campaign) -> dict[str, Any]:
    return campaign_record(campaign, run_record("2031-05-06T07:08:09+00:00", 1.25))


def hostile(campaign: Campaign) -> dict[str, Any]:
    """A campaign in whose texts there is markup, a control character and a lone surrogate."""
    text = "<script>alert(\"1\")</script> & \x07 \ud800 '--' ]]>"
    worst = replace(campaign.results[3], findings=(Finding(Verdict.MISSED, None, text),))
    return campaign_record(replace(campaign, results=[*campaign.results[:3], worst]))


# --- JSON -------------------------------------------------------------------------------------------------


def test_record_holds_what_each_case_did(good: dict[str, Any]) -> None:
    assert good["schema"] == "framefray.campaign/1"
    assert (good["verdict"], good["complete"]) == ("pass", True)
    assert good["summary"] == {"planned": 8, "passed": 8, "failed": 0, "left_out": 0}
    case = next(c for c in good["cases"] if c["case"] == "hdlc.fcs")
    assert case["expected"] == {"hdlc_fcs_errors": "+1"}
    assert case["moved"]["hdlc_fcs_errors"] == 1
    assert case["tolerated"] == ["hdlc_frames"]
    assert case["damage"] == [] and case["findings"] == []
    assert json.loads(json.dumps(good)) == good


def test_failing_cases_come_with_damage_and_command(bad: dict[str, Any]) -> None:
    assert bad["verdict"] == "fail"
    failed = {c["case"]: c for c in bad["cases"] if not c["passed"]}
    assert set(failed) == {"hdlc.fcs", "vendor.value"}
    vendor = failed["vendor.value"]
    assert vendor["verdict"] == "miscounted"
    (damage,) = vendor["damage"]
    assert damage["octets"][damage["at"]] == "A5" and damage["at"] == 16
    slow = failed["hdlc.fcs"]
    assert slow["verdict"] == "missed"
    assert len(slow["damage"][0]["octets"]) <= 33
    assert slow["repeat_with"] == (
        "framefray campaign emulated --option 1 --pointer 40 --hdlc-rate 2 --seed 4 --only hdlc.fcs"
    )


def test_the_command_names_what_is_not_usual() -> None:
    conditions = LinkConditions(crafted=True, hyperframes=30)
    line = conditions.command("campaign", None, "--only", "hdlc.fcs + ethernet.fcs")
    assert "--via craft --form bits" in line and "--hyperframes 30" in line
    assert line.endswith("--only 'hdlc.fcs + ethernet.fcs'")


@pytest.mark.parametrize(
    ("words", "planned"),
    [
        (
            "emulated:pair --quick --only hdlc.f* --only 'ethernet.fcs*' --skip *+* --skip hdlc.fcs_order --seed 5"
            " --repeat 2",
            16,
        ),
        (
            "emulated --option 1 --via craft --form symbols --pointer 20 --hyperframes 70 --only 'sync.hfn + *'"
            " --fail-fast",
            2,
        ),
    ],
)
def test_the_command_of_a_campaign_gives_the_same_again(
    words: str, planned: int, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = ["--json", "--reproducible"]
    assert main(["campaign", *shlex.split(words), *printed]) == 0
    out = capsys.readouterr().out
    record = json.loads(out)
    assert record["summary"]["planned"] == planned
    name, *again = shlex.split(record["repeat_with"])
    assert (name, again[0]) == ("framefray", "campaign")
    assert main([*again, *printed]) == 0
    assert capsys.readouterr().out == out


# --- text -------------------------------------------------------------------------------------------------


def test_text_fits_80_columns(good: dict[str, Any], bad: dict[str, Any]) -> None:
    for record in (good, bad):
        lines = campaign_lines(record)
        # A command is not cut where it would no longer be one.
        assert max(len(line) for line in lines if "framefray campaign" not in line) <= 80
        assert all(line.isprintable() for line in lines)


def test_text_names_what_failed(good: dict[str, Any], bad: dict[str, Any]) -> None:
    assert campaign_lines(good)[-1] == "The campaign is a pass: 8 cases passed, 0 failed"
    text = "\n".join(campaign_lines(bad))
    assert re.search(r"^fail  hdlc\.fcs .* missed$", text, re.MULTILINE)
    assert "hdlc_fcs_errors: expected +1, observed +0" in text
    assert text.endswith("The campaign is a fail: 4 cases passed, 2 failed, 2 skipped")


# --- stopped early ----------------------------------------------------------------------------------------


def part(campaign: Campaign, results: int) -> dict[str, Any]:
    """The campaign, stopped by the user after so many cases."""
    return campaign_record(replace(campaign, results=campaign.results[:results], interrupted=True))


@pytest.mark.parametrize("done", [0, 1, 2])
def test_a_stopped_campaign_looks_like_no_pass(campaign: Campaign, done: int) -> None:
    record = part(campaign, done)
    assert (record["verdict"], record["complete"], record["summary"]["failed"]) == ("fail", False, 0)
    assert campaign_lines(record)[-1].startswith("The campaign is incomplete: ")
    (suite,) = JUnitXml.fromstring(junit_document(record))
    assert (suite.tests, suite.failures, suite.errors) == (done + 1, 0, 1)
    (error,) = list(suite)[-1].result
    assert isinstance(error, Error)
    assert (error.message, error.type) == (f"campaign stopped after {done} of 8 cases", "incomplete")
    assert "repeat: framefray campaign emulated" in error.text
    page = html_document(record)
    assert '<span class="verdict">INCOMPLETE</span>' in page and ">PASS<" not in page
    assert f" skipped; <strong>stopped after {done} of 8 cases</strong>" in page


def test_a_failure_stays_one_where_the_rest_is_missing(campaign: Campaign) -> None:
    record = part(campaign, 4)
    assert summary_line(record).startswith("The campaign is a fail: ")
    (suite,) = JUnitXml.fromstring(junit_document(record))
    assert (suite.failures, suite.errors) == (1, 1)
    page = html_document(record)
    assert '<span class="verdict">FAIL</span>' in page and "stopped after 4 of 8 cases" in page


def test_a_campaign_without_a_fault_proves_nothing(campaign: Campaign) -> None:
    results = [r for r in campaign.results if not r.case.faults or r.verdict is Verdict.LEFT_OUT]
    record = campaign_record(replace(campaign, results=results, planned=len(results)))
    assert (record["verdict"], record["complete"]) == ("fail", True)
    assert campaign_lines(record)[-1].startswith(
        "The campaign proves nothing: 1 cases passed, 0 failed, 2 skipped"
    )
    (suite,) = JUnitXml.fromstring(junit_document(record))
    assert (suite.failures, suite.errors, suite.skipped) == (0, 1, 2)
    assert "PROVES NOTHING" in html_document(record)


# --- no more than was shown -------------------------------------------------------------------------------


class DropsFrames(LinkDecoder):
    """Loses good HDLC frames, so the baseline is not clean."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        events = super().receive(data, now)
        self.counters["hdlc_frames"] = 0
        return events


def test_a_narrowed_campaign_says_what_was_not_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, xml = tmp_path / "a.html", tmp_path / "a.xml"
    words = ["campaign", "emulated", "--option", "1", "--only", "reserved.flip*", "--only", "hdlc.fcs"]
    assert main([*words, "--json", "--html", str(page), "--junit", str(xml)]) == 0
    record = json.loads(capsys.readouterr().out)
    rules = {row["rule"]: row for row in record["rules"]}
    part = rules["FCS-16: each of its bits, and each bit of the data"]
    assert (part["result"], part["cases"], part["cases_planned"]) == ("in part", ["hdlc.fcs"], 5)
    assert rules["reserved: subchannels 8 to 15, every word"]["result"] == "pass"
    count = record["scope"]["rules"]
    assert count["in part"] == 2 and count["not run"] > 50 and record["scope"]["limited"]
    said = record["scope"]["text"]
    assert (
        said == f"pass for the {count['pass']} rules run; 2 rules in part, {count['not run']} rules not run"
    )
    assert summary_line(record).startswith(f"The campaign is a {said}: ")
    assert f'<span class="verdict pass">{said.upper()}</span>' in page.read_text()
    (suite,) = JUnitXml.fromfile(str(xml))
    assert {p.name: p.value for p in suite.properties()}["scope"] == said
    (row,) = [case for case in suite if case.classname == "framefray.not_proven"]
    assert isinstance(row.result[0], Skipped) and row.result[0].message == said


LINE_CODE = "a symbol of neither column is a code violation"
LOS = "16 characters in error in one hyperframe raise LOS, 15 do not"
ALIGNMENT = "the word boundary is found at each of ten bit offsets"


@pytest.mark.parametrize(
    ("form", "words"),
    [
        (LineForm.OCTETS, {LINE_CODE: "not proven", LOS: "not proven", ALIGNMENT: "not proven"}),
        (LineForm.FLAGGED, {LINE_CODE: "not proven", LOS: "in part", ALIGNMENT: "not proven"}),
        (LineForm.SYMBOLS, {LINE_CODE: "in part", LOS: "in part", ALIGNMENT: "not proven"}),
    ],
)
def test_rules_are_not_passed_by_line_data_that_do_not_show_them(
    form: LineForm, words: dict[str, str]
) -> None:
    """Octets have no code errors, flagged words no line code, symbols no word alignment."""
    usual = LinkConditions(crafted=True, form=form, option="1", hyperframes=30)
    offset = Case((), "alignment offset 3", delay_bits=1233)
    cases = [Case(("line.violation",)), Case(("line.violation:count=15",)), offset, Case(("sync.hfn",))]
    record = campaign_record(replace(run_campaign(usual, cases), rules=rules_of(usual)))
    rules = {row["rule"]: row["result"] for row in record["rules"]}
    assert {rule: rules[rule] for rule in words} == words
    verdicts = {case["case"]: case["verdict"] for case in record["cases"]}
    assert verdicts["alignment offset 3"] == "left out"
    assert (verdicts["line.violation"] == "not proven") is (form is LineForm.OCTETS)
    assert any(f"form {form}" in text for text in record["not_proven"])


def test_a_rule_without_a_place_in_the_link_is_no_pass() -> None:
    """Option 1 has no octet beside its sync byte."""
    rules = [rule for rule in rules_of(LinkConditions(option="1")) if rule.text.startswith("D16.2 beside")]
    campaign = run_campaign(LinkConditions(option="1"), rules[0].cases)
    record = campaign_record(replace(campaign, rules=rules))
    assert [row["result"] for row in record["rules"]] == ["skip"]
    assert "rules: 1; 1 skip" in campaign_lines(record)


def test_known_answers_that_nothing_proves_are_no_pass() -> None:
    class Silent:
        serves = ()

        def __init__(self, option: str, form: str) -> None: ...
        def receive(self, data: bytes) -> None: ...

    silent = receivers.receiver_of(Silent)
    campaign = run_campaign(LinkConditions(option="1"), [], receiver=silent, known_answers=True)
    record = campaign_record(campaign)
    (line,) = [line for line in campaign_lines(record) if "known answers:" in line and "right" in line]
    assert line.startswith("skip  known answers: 0 right, 0 wrong, ")
    assert {row["plane"] for row in record["known_answers"]["unproven"]} >= {"line", "hdlc", "iq"}


def test_iq_that_is_not_delivered_is_not_proven() -> None:
    class Counts:
        serves = ("iq", "vendor")
        delivers = ()

        def __init__(self, option: str, form: str) -> None:
            self.inner = LinkDecoder(LinkSettings(option, LineForm(form)))

        def receive(self, data: bytes) -> None:
            self.inner.receive(data)

        @property
        def counters(self) -> dict[str, int]:
            return dict(self.inner.counters)

    usual = LinkConditions(option="1")
    cases = [Case(("iq.flip",)), Case(("vendor.flip",))]
    campaign = run_campaign(usual, cases, receiver=receivers.receiver_of(Counts))
    assert [result.verdict for result in campaign.results] == [
        Verdict.CLEAN, Verdict.LEFT_OUT, Verdict.DETECTED,
    ]  # fmt: skip
    record = campaign_record(replace(campaign, rules=rules_of(usual)))
    words = {row["rule"]: row["result"] for row in record["rules"]}
    assert words["IQ data arrive unchanged; nothing in the frame checks them"] == "not proven"
    assert "delivered" not in record["means"]


def test_a_receiver_may_not_serve_less_than_before() -> None:
    class Shying(ProjectReceiver):
        @property
        def serves(self) -> frozenset[Plane]:  # type: ignore[override]
            return frozenset(() if self.counters["hdlc_fcs_errors"] else (Plane.HDLC,))

    campaign = run_campaign(LinkConditions(option="1"), [Case(("hdlc.fcs",))], receiver=Shying)
    assert campaign.results[1].verdict is Verdict.CRASHED
    assert "no longer serves hdlc" in campaign.results[1].findings[0].text


def test_fail_fast_at_the_baseline_is_a_fail(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command, "OWN_DECODER", receiver_of(DropsFrames))
    words = ["campaign", "emulated", "--option", "1", "--fail-fast", "--case", "iq.flip"]
    assert main(words) == 1
    said = capsys.readouterr()
    assert "nothing was tested" not in said.err
    assert "The campaign is a fail: 0 cases passed, 1 failed; stopped after 1 of 2" in said.out


# --- JUnit ------------------------------------------------------------------------------------------------


def test_junit_is_read_back(bad: dict[str, Any]) -> None:
    document = JUnitXml.fromstring(junit_document(bad))
    (suite,) = document
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (8, 2, 0, 2)
    rows = {case.name: case for case in suite}
    assert rows["hdlc.fcs"].classname == "framefray.hdlc"
    (outcome,) = rows["hdlc.fcs"].result
    assert isinstance(outcome, Failure) and outcome.type == "missed"
    assert "repeat: framefray campaign emulated" in outcome.text
    assert isinstance(rows["sync.filler"].result[0], Skipped)
    assert rows["line.violation:count=16"].result == []
    values = {p.name: p.value for p in suite.properties()}
    assert (values["option"], values["seed"], values["complete"]) == ("1", "4", "true")
    assert values["run.started"] == "2031-05-06T07:08:09+00:00"


@pytest.mark.parametrize("verdict", [Verdict.CRASHED, Verdict.NOT_SENT, Verdict.UNSEEN])
def test_junit_tells_a_case_without_a_verdict_from_a_failure(campaign: Campaign, verdict: Verdict) -> None:
    crash = replace(campaign.results[4], verdict=verdict, findings=(Finding(verdict, None, "x"),))
    record = campaign_record(replace(campaign, results=[crash], planned=1))
    document = JUnitXml.fromstring(junit_document(record))
    (case,) = next(iter(document))
    assert isinstance(case.result[0], Error)


def test_junit_of_several_seeds_has_names_of_its_own(campaign: Campaign) -> None:
    results = [replace(result, seed=seed) for seed in (4, 5) for result in campaign.results[:2]]
    record = campaign_record(replace(campaign, results=results, planned=4))
    document = JUnitXml.fromstring(junit_document(record))
    assert [case.name for case in next(iter(document))] == [
        f"{name} (seed {seed})" for seed in (4, 5) for name in ("baseline", "line.violation:count=16")
    ]


def test_junit_is_xml_whatever_the_text(campaign: Campaign) -> None:
    root = Xml.fromstring(junit_document(hostile(campaign)))
    (failure,) = root.iter("failure")
    assert r'<script>alert("1")</script> & \x07 \ud800' in failure.attrib["message"]


# --- HTML -------------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Elements, addresses and the cells of the matrix."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.rows: list[list[str]] = []
        self.open: list[str] = []
        self._cell: list[str] | None = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "action")]
        if tag not in ("meta",):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._cell = []

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data.strip())

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        if tag in ("td", "th") and self._cell is not None:
            self.rows[-1].append("".join(self._cell))
            self._cell = None


def test_page_stands_alone(bad: dict[str, Any]) -> None:
    text = html_document(bad)
    page = Page(text)
    assert page.open == []
    assert not {"script", "link", "img", "iframe", "object"} & set(page.tags)
    assert page.addresses and all(address.startswith("#case-") for address in page.addresses)
    assert all(f'id="{address[1:]}"' in text for address in page.addresses)
    assert "position: sticky" in text
    assert not re.search(r"url\(|@import|https?://", text)
    assert "@media print" in text


def test_matrix_has_a_letter_for_each_counter_that_moved(bad: dict[str, Any]) -> None:
    rows = Page(html_document(bad)).rows
    head = next(row for row in rows if row[0] == "case")
    assert [name for name in COUNTERS if name in head] == head[4:]
    table = {row[0]: dict(zip(head, row, strict=True)) for row in rows if len(row) == len(head)}
    assert table["line.violation:count=16"]["los_events"] == "D+1"
    assert table["line.violation:count=16"]["hdlc_lost_sync"] == "t+1"
    assert table["hdlc.fcs"]["hdlc_fcs_errors"] == "M"
    assert table["vendor.value"]["vendor_changes"] == "C+2"
    assert table["vendor.value"]["hfn_invalid"] == "" if "hfn_invalid" in head else True
    assert set(table["iq.flip"].values()) <= {"iq.flip", "no counter expected to change; none did", ""}


def test_page_names_conditions_and_commands(bad: dict[str, Any]) -> None:
    text = html.unescape(html_document(bad))
    for words in (
        "option 1, 614.4 Mbit/s", "pointer p = 40, HDLC rate code 2", "2031-05-06T07:08:09+00:00", "<b>A5</b>",
        "--seed 4 --only vendor.value", "2 failed, 2 skipped",
    ):  # fmt: skip
        assert words in text


def test_page_without_run_tells_no_time(good: dict[str, Any]) -> None:
    text = html_document(good)
    assert "Python" not in text and "numpy" not in text
    assert "None." in text


def test_page_escapes_what_it_is_given(campaign: Campaign) -> None:
    text = html_document(hostile(campaign))
    assert "<script" not in text
    assert "&lt;script&gt;alert(" in text


CHROMIUM = shutil.which("chromium")


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium here: apt-get install chromium")
def test_a_browser_shows_the_page(bad: dict[str, Any], tmp_path: Path) -> None:
    page = tmp_path / "campaign.html"
    page.write_text(html_document(bad), encoding="utf-8")
    flags = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
        " --disable-component-update --disable-sync"
    ).split()
    run = [str(CHROMIUM), *flags, f"--user-data-dir={tmp_path / 'profile'}"]
    dom = subprocess.run(
        [*run, "--dump-dom", page.as_uri()], capture_output=True, timeout=patience(120), check=True, text=True
    ).stdout
    shown = Page(dom[dom.index("<body") : dom.index("</body>")]).rows
    assert shown == Page(html_document(bad)).rows
    picture = tmp_path / "campaign.png"
    command = [*run, "--window-size=1280,1600", f"--screenshot={picture}", page.as_uri()]
    subprocess.run(command, capture_output=True, timeout=patience(120), check=True)
    assert picture.read_bytes().startswith(b"\x89PNG") and picture.stat().st_size > 20_000


def test_a_hostile_name_of_a_board_leaves_every_report_whole(campaign: Campaign) -> None:
    record = campaign_record(campaign, None, [])
    record["link"]["board"] = '19 °C \x1b[31m\x9b\u202e\ud800<&"\x00'
    document = junit_document(record).decode()
    Xml.fromstring(document)  # well-formed by another hand
    page = html_document(record)
    for text in (document, page):
        assert not set("\x1b\x9b\u202e\ud800\x00") & set(text)
    assert "19 °C \\x1b[31m\\x9b\\u202e\\ud800&lt;&amp;" in document
