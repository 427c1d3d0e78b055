"""`campaign` and `inject` on two boards that are processes on TCP, and what is said where that cannot be."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

pytest.importorskip("tty", reason="no pseudo-terminals on this system")

from monitor.campaign import live_bench
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import choose, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.results import CaseResult
from monitor.campaign.two_ended import chosen_ends, named_sources
from monitor.cli.main import main
from monitor.commands import campaign as command
from monitor.errors import InputError
from monitor.faults.verdict import Verdict
from tests.support.boards import ROOT, running_board
from tests.support.pairs import running_pair

FEW = ("line.violation:count=16", "l1.reset:hyperframes=10", "iq.flip", "sync.jump:by=150", "delay.step:bits=10",
       "l1.rai + l1.sdi + hdlc.short")  # fmt: skip
ONLY = [word for name in FEW for word in ("--only", name)]


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """REC-A and RE-1 on a cable, as two processes: the URL of each."""
    with running_pair(tmp_path_factory.mktemp("pair"), "--pace", "750", "--option", "1") as (near, far, *_):
        yield near, far


def of_a_board(verdict: str) -> str:
    """Where no counter has to change, nothing is known of what a board has sent, but all of the emulated link."""
    return Verdict.UNPROVEN.value if verdict in (Verdict.SILENT, Verdict.BOUNDED) else verdict


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_bench, "BASELINE_HYPERFRAMES", 200)


def words(pair: tuple[str, str], *more: str, at: str = "REC-A") -> list[str]:
    return [f"REC-A={pair[0]}", f"RE-1={pair[1]}", "--inject-at", at, *more]


def test_verdicts_over_a_cable_are_those_of_one_emulated_pair(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, xml = tmp_path / "two.html", tmp_path / "two.xml"
    given = words(pair, "--yes", *ONLY)
    assert main(["campaign", *given, "--json", "--html", str(page), "--junit", str(xml)]) == 0
    record = json.loads(capsys.readouterr().out)
    link = LinkConditions(source="emulated:pair", option="1")
    emulated = run_campaign(link, choose(every_case(), FEW))
    assert {c["case"]: c["verdict"] for c in record["cases"]} == {
        r.case.name: of_a_board(r.verdict.value) for r in emulated.results
    }
    assert record["verdict"] == "pass" and record["complete"]
    assert {
        c["case"]: c["returned"]["moved"] for c in record["cases"] if c.get("returned", {}).get("moved")
    } == {
        "line.violation:count=16": {"l1_alarm_changes": 6},
        "l1.reset:hyperframes=10": {"l1_alarm_changes": 2},
        "delay.step:bits=10": {"l1_alarm_changes": 4},
    }
    told = {key: record["link"][key] for key in ("via", "inject_at", "observe_at", "returned_alarms_at")}
    assert list(told.values()) == ["two boards", "REC-A", "RE-1", "REC-A"]
    assert record["repeat_with"] == shlex.join(["framefray", "campaign", *given])
    assert "injected at REC-A, observed at RE-1; returned alarms judged at REC-A" in page.read_text()
    properties = {p.attrib["name"]: p.attrib["value"] for p in Xml.parse(xml).iter("property")}
    assert properties["inject_at"] == "REC-A" and properties["returned.REC-A.l1_alarm_changes"]


@pytest.mark.slow
def test_inject_goes_up_as_well(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inject", *words(pair, "--yes", "--fault", "ethernet.fcs", at="RE-1")]) == 0
    assert "observed  ethernet_fcs_errors +1" in capsys.readouterr().out


def test_what_cannot_be_is_said_in_one_line(
    pair: tuple[str, str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    near, far = pair
    for given, text in (
        (words((far, near), "--yes"), "this board calls itself RE-1; the sources are swapped"),
        (words(pair), "REC-A transmit damaged data, and both change vendor specific octets"),
        (words(pair, "--yes", "--option", "2"), "REC-A: "),
        ([near, "--yes"], f"name both boards: THIS={near} OTHER=SOURCE --inject-at THIS"),
    ):
        assert main(["campaign", *given, "--only", "iq.flip"]) == 2
        error = capsys.readouterr().err
        assert text in error.splitlines()[-1] and "Traceback" not in error
    with running_board("--tcp", "127.0.0.1:0", "--name", "REC-A", "--pace", "100") as (alone, _):
        assert main(["campaign", *words((alone, far), "--yes")]) == 2
    error = capsys.readouterr().err
    assert "REC-A at" in error and "the board receives its own transmitter, not another board" in error
    assert f"framefray tell {alone} loopback pair --yes" in error


@pytest.mark.parametrize(
    ("given", "at", "observe", "text"),
    [
        (("A=socket://h:1", "socket://h:2"), ("A",), None, "socket://h:2: several sources need a name each"),
        (("A=socket://h:1", "B=emulated"), ("A",), None, "B=emulated: a board of a pair is reached by a serial"),
        (("A=socket://h:1", "B=h:2"), ("A",), None, "a board on the network is socket://h:2"),
        (("A=socket://h:1", "A=socket://h:2"), ("A",), None, "A: two boards have this name"),
        (("A=socket://localhost:1", "B=socket://127.0.0.1:1"), ("A",), None, "A and B are the same board"),
        (("A=socket://h:1", "B=socket://h:2"), (), None, "not said which board transmits the faults; --inject-at A"),
        (("A=socket://h:1", "B=socket://h:2"), ("A", "B"), None, "faults go in at one board at a time"),
        (("A=socket://h:1", "B=socket://h:2"), ("C",), None, "--inject-at C: no source has this name; the names"),
        (("A=socket://h:1", "B=socket://h:2"), ("A",), "C", "--observe-at C: no source has this name"),
        (("A=socket://h:1", "B=socket://h:2"), ("A",), "A", "is the board that transmits the faults"),
        (("A=socket://h:1",), ("A",), None, "A: the board that receives the faults is not named"),
        (("A=socket://h:1", "B=socket://h:2", "C=socket://h:3"), ("A",), None, "--observe-at B or C"),
    ],
)  # fmt: skip
def test_words_that_do_not_name_two_boards(
    given: tuple[str, ...], at: tuple[str, ...], observe: str | None, text: str
) -> None:
    with pytest.raises(InputError) as error:
        chosen_ends(named_sources(given), at, observe)
    assert text in str(error.value)


def test_the_observer_is_the_other_one_or_the_one_named() -> None:
    sources = named_sources(("A=socket://h:1", "B=socket://h:2", "C=socket://h:3"))
    assert chosen_ends(sources, ("B",), "C") == (("B", "socket://h:2"), ("C", "socket://h:3"))
    assert chosen_ends(sources[:2], ("B", "B")) == (("B", "socket://h:2"), ("A", "socket://h:1"))


@pytest.mark.slow
@pytest.mark.parametrize("gone", [0, 1], ids=["REC-A", "RE-1"])
def test_a_board_that_goes_away_leaves_a_report(
    gone: int, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with running_pair(tmp_path, "--pace", "750", "--option", "1") as (near, far, *processes):

        @contextmanager
        def leaving(cases: int) -> Iterator[Callable[[CaseResult, int, int], object]]:
            yield lambda result, done, planned: processes[gone].kill() if done == 2 else None

        monkeypatch.setattr(command, "_progress", leaving)
        assert main(["campaign", *words((near, far), "--yes", "--json", "--only", "vendor.*")]) == 2
    captured = capsys.readouterr()
    record = json.loads(captured.out)
    assert not record["complete"] and len(record["cases"]) == 2 < record["summary"]["planned"]
    assert record["summary"]["failed"] == 0
    ended, why = captured.err.splitlines()[-2:]
    assert "ended early; The campaign is incomplete" in ended
    assert "REC-A" in why or "RE-1" in why


@pytest.mark.slow
def test_a_mutant_in_the_other_process_fails_under_its_plane(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    link = str(tmp_path / "link")
    given = ["RE-1", "127.0.0.1:0", link, "stuck-vendor", "750"]
    script = [sys.executable, str(ROOT / "tests" / "support" / "mutant_board.py"), *given]
    rec = ("--name", "REC-A", "--tcp", "127.0.0.1:0", "--link", link, "--pace", "750", "--option", "1")
    with running_board(*rec) as (near, _):
        process = subprocess.Popen(script, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        try:
            assert process.stdout is not None
            far = process.stdout.readline().strip()
            only = ["--only", "vendor.value", "--only", "ethernet.code"]
            assert main(["campaign", *words((near, far), "--yes", "--json", *only)]) == 1
        finally:
            process.kill()
            process.communicate()
    cases = {c["case"]: c for c in json.loads(capsys.readouterr().out)["cases"]}
    assert {name: c["result"] for name, c in cases.items()} == {
        "baseline": "pass", "ethernet.code": "pass", "vendor.value": "fail",
    }  # fmt: skip
    (finding,) = cases["vendor.value"]["findings"]
    assert (finding["verdict"], finding["counter"]) == ("missed", "vendor_changes")


@pytest.mark.slow
def test_every_verdict_over_a_cable_is_that_of_one_emulated_pair(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with running_pair(tmp_path, "--pace", "750") as (near, far, *_):
        assert main(["campaign", *words((near, far), "--yes", "--json")]) == 0
    record = json.loads(capsys.readouterr().out)
    emulated = run_campaign(LinkConditions(source="emulated:pair"), every_case())
    assert {c["case"]: c["verdict"] for c in record["cases"]} == {
        r.case.name: of_a_board(r.verdict.value) for r in emulated.results
    }
