"""Faults put into a running board: the verdicts of the emulated link, its own traffic, and what goes wrong."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import pytest

pytest.importorskip("tty", reason="no pseudo-terminals on this system")

from decoders.counters import COUNTERS
from decoders.events import Event
from decoders.link.decoder import LinkDecoder
from monitor.campaign import live_link as live
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case, choose, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.live_bench import LiveBench
from monitor.cli.main import main
from monitor.emulation.board import BoardSetup
from monitor.emulation.line_settings import LineSettings
from monitor.emulation.traffic import VendorPattern
from monitor.errors import RefusedError
from monitor.faults.catalogue import CATALOGUE
from monitor.faults.verdict import Verdict
from monitor.protocol import records as r
from tests.support.boards import PumpedBoard, running_board

ONE_OF_EACH = [
    Case((name,))
    for name in (
        "line.violation:count=16", "line.invert", "line.slip", "sync.comma:count=3", "sync.hfn:value=7", "l1.reset",
        "hdlc.abort", "ethernet.delimiter", "vendor.value", "vendor.flip", "iq.flip", "delay.step:bits=10",
    )
] + [Case(("line.disparity", "vendor.value")), Case(("l1.rai", "l1.sdi", "hdlc.short"))]  # fmt: skip


def verdicts(record: dict[str, Any]) -> dict[str, str]:
    return {case["case"]: case["verdict"] for case in record["cases"]}


# ---- the same verdicts as on the emulated link ---------------------------------------------------------------


def test_every_fault_is_told_on_a_board_as_on_the_emulated_link() -> None:
    bench = LiveBench(PumpedBoard(), "board")
    campaign = run_campaign(bench.conditions, every_case(), bench=bench)
    # That every case of the emulated link passes is in test_campaign.
    assert {r.case.name: [f.text for f in r.findings] for r in campaign.results if not r.passed} == {}
    assert len(campaign.results) == len(every_case())
    for result in campaign.results:
        assert (
            result.verdict is not Verdict.LEFT_OUT or "not valid for this option" in result.findings[0].text
        )
    assert {text.split(":")[0] for r in campaign.results for text in r.case.faults} == set(CATALOGUE)


@pytest.mark.parametrize("way", [("--pty",), pytest.param(("--tcp", "127.0.0.1:0"), marks=pytest.mark.slow)])
def test_prove_is_the_same_over_a_line(way: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--yes", "--option", "2", *(word for case in ONE_OF_EACH for word in ("--only", case.name))]
    with running_board(*way, "--pace", "0") as (name, _):
        assert main(["campaign", name, "--json", *words]) == 0
    seen = json.loads(capsys.readouterr().out)
    emulated = run_campaign(LinkConditions(), choose(every_case(), [case.name for case in ONE_OF_EACH]))
    # On the emulated link IQ data are compared; on a board what was sent is not known.
    right = {r.case.name: r.verdict.value for r in emulated.results} | {"iq.flip": Verdict.UNPROVEN.value}
    assert verdicts(seen) == right
    assert (seen["link"]["via"], seen["link"]["pointer_p"], seen["link"]["seed"]) == ("board", 40, None)
    assert seen["repeat_with"] == shlex.join(["framefray", "campaign", name, *words]) and seen["complete"]


@pytest.mark.parametrize("option", ["1", "4"])
@pytest.mark.parametrize("data", [r.RecordType.OCTETS, r.RecordType.FLAGGED])
def test_other_rates_and_forms(option: str, data: r.RecordType) -> None:
    bench = LiveBench(PumpedBoard(BoardSetup(option=option, data_type=data)), "board")
    cases = [Case((name,)) for name in ("hdlc.fcs", "sync.hfn", "vendor.value", "ethernet.code", "line.flip")]
    campaign = run_campaign(bench.conditions, cases, bench=bench)
    assert {r.case.name: [f.text for f in r.findings] for r in campaign.results if not r.passed} == {}


@pytest.mark.parametrize(
    ("case", "why"),
    [
        (Case(("hdlc.fcs",), "at another rate code", rate_code=1), "settings of a board stand"),
        (Case((), "hdlc, good frames"), "not known here"),
        (Case(("vendor.value@24:hyperframes=1", "vendor.value@25:value=2"), "two"), "faults that meet"),
    ],
)
def test_cases_that_need_a_fresh_link_are_left_out_on_a_board(case: Case, why: str) -> None:
    result = LiveBench(PumpedBoard(), "board").case(case)
    assert result.verdict is Verdict.LEFT_OUT and why in result.findings[0].text


def test_a_case_of_many_frames_is_run_on_a_board() -> None:
    bits = Case(tuple(f"hdlc.fcs:xor={1 << bit},octets=20" for bit in range(16)), "each bit of the FCS")
    bench = LiveBench(PumpedBoard(), "board")
    bench.baseline()  # which octets are the board's own
    result = bench.case(bits)
    assert result.verdict is Verdict.DETECTED and result.moved == {"hdlc_fcs_errors": 16}


@pytest.mark.parametrize(
    ("option", "data", "line", "names"),
    [
        (
            "7A",
            r.RecordType.FLAGGED,
            LineSettings(fec=True),
            ("fec.symbols:symbols=8", "line.header", "line.k:code=10"),
        ),
        (
            "7A",
            r.RecordType.OCTETS,
            LineSettings(),
            ("line.slip", "line.slip:bits=-1", "line.dark", "delay.step"),
        ),
        ("7A", r.RecordType.BLOCKS, LineSettings(), ("line.slip", "line.invert", "sync.terminate_only")),
        (
            "7",
            r.RecordType.FLAGGED,
            LineSettings(scrambling=5),
            ("scrambling.seed", "line.slip", "sync.filler"),
        ),
    ],
    ids=["fec", "octets", "blocks", "scrambled"],
)
def test_boards_at_high_rates(
    option: str, data: r.RecordType, line: LineSettings, names: tuple[str, ...]
) -> None:
    setup = BoardSetup(option=option, data_type=data, line=line)
    bench = LiveBench(PumpedBoard(setup, step=5), "board", hyperframes=24)
    results = [bench.case(Case((name,))) for name in (*names, "fec.pn")]
    assert {x.case.name: [f.text for f in x.findings] for x in results if not x.passed} == {}
    left = [x.case.name for x in results if x.verdict is Verdict.LEFT_OUT]
    assert left == ([] if line.fec else ["fec.pn"])
    assert bench.conditions.sent_line == line
    assert bench.conditions.words.get("fec") == {"7": None}.get(option, "on" if line.fec else "off")


def test_control_words_alone_show_no_iq_and_no_line_errors() -> None:
    bench = LiveBench(PumpedBoard(BoardSetup(data_type=r.RecordType.CONTROL)), "board")
    cases = [
        Case((name,))
        for name in ("line.flip", "iq.flip", "delay.step", "hdlc.fcs", "vendor.flip", "sync.hfn")
    ]
    campaign = run_campaign(bench.conditions, cases, bench=bench)
    left = [Verdict.LEFT_OUT] * 3
    assert [x.verdict for x in campaign.results] == [Verdict.CLEAN, *left, *[Verdict.DETECTED] * 3]
    assert not any(x.excerpts for x in campaign.results)
    assert bench.conditions.words["data"] == "control words only"


def test_inject_says_what_moved(capsys: pytest.CaptureFixture[str]) -> None:
    with running_board("--pty", "--pace", "0") as (name, _):
        assert main(["inject", name, "--yes", "--fault", "hdlc.fcs"]) == 0
        out = capsys.readouterr().out
        assert "observed  hdlc_fcs_errors +1" in out and "pass  hdlc.fcs" in out
        assert main(["inject", name, "--yes", "--fault", "vendor.value:ns=16,xs=0,y=1"]) == 2
    assert "ns=16, xs=0, y=1 changes by itself on this board" in capsys.readouterr().err


# ---- a receiver that is wrong, a link that is not clean ------------------------------------------------------


class Deaf(LinkDecoder):
    """Does not tell of aborted HDLC frames."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        events = super().receive(data, now)
        self.counters["hdlc_aborts"] = 0
        return events


def test_a_wrong_receiver_fails_with_what_it_received(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LinkDecoder", Deaf)
    bench = LiveBench(PumpedBoard(), "board")
    campaign = run_campaign(bench.conditions, [Case(("hdlc.abort",)), Case(("hdlc.fcs",))], bench=bench)
    assert [r.verdict for r in campaign.results] == [Verdict.CLEAN, Verdict.MISSED, Verdict.DETECTED]
    (excerpt,) = campaign.results[1].excerpts
    assert excerpt.what == "abort frame" and len(excerpt.octets) == 4  # it is aborted after so many


class Misreading(LinkDecoder):
    """Tells vendor specific octets one subchannel too high."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        from dataclasses import replace

        from decoders.events import OctetsChanged, Plane

        def moved(event: Event) -> Event:
            if isinstance(event, OctetsChanged) and event.plane is Plane.VENDOR:
                places = bytes(p + (i % 3 == 0) for i, p in enumerate(event.places))
                return replace(event, places=places)
            return event

        return [moved(event) for event in super().receive(data, now)]


def test_what_happens_again_with_the_fault_is_no_traffic(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LinkDecoder", Misreading)
    bench = LiveBench(PumpedBoard(), "board")
    campaign = run_campaign(bench.conditions, [Case(("vendor.flip",))], bench=bench)
    assert campaign.results[1].verdict is Verdict.MISPLACED
    assert "expected at Ns 20 Xs 1 Y 0, observed at Ns 21 Xs 1 Y 0" in campaign.results[1].findings[0].text


def test_a_slow_counter_of_the_board_is_no_side_effect() -> None:
    board = PumpedBoard()
    # The vendor counter's high octet steps once in 51 s: let it step inside the first case.
    board.board.sender._vendor = VendorPattern(constants=b"\0", counter_start=0xFFFF - 4)
    bench = LiveBench(board, "board")
    campaign = run_campaign(bench.conditions, [Case(("vendor.flip",)) for _ in range(8)], bench=bench)
    assert campaign.passed and len(campaign.results) == 9
    assert max(result.tries for result in campaign.results) == 2  # and the report says so
    assert ("vendor", 16, 0, 0) in bench.own


def test_a_link_with_bit_errors_has_no_clean_baseline() -> None:
    setup = BoardSetup(loopback=r.Loopback.CABLE, bit_error_ratio=3e-7)
    bench = LiveBench(PumpedBoard(setup), "board")
    campaign = run_campaign(bench.conditions, [Case(("hdlc.fcs",)), Case(("sync.hfn",))], bench=bench)
    baseline, *others = campaign.results
    assert baseline.verdict is Verdict.DIRTY and not campaign.passed
    assert {f.counter for f in baseline.findings} & {"code_violations", "disparity_errors"}
    assert all(r.declared is not None and "code_violations" in r.declared.expectation.allowed for r in others)


class Losing(PumpedBoard):
    """Each time it is asked, more hyperframes are missing."""

    losing = False
    lost = 0

    @property
    def hyperframes_missing(self) -> int:
        self.lost += self.losing
        return self.lost


def test_line_data_that_are_lost_are_no_verdict() -> None:
    board = Losing()
    bench = LiveBench(board, "board")
    bench.baseline()
    board.losing = True
    unseen = bench.case(Case(("iq.flip",)))
    assert unseen.verdict is Verdict.UNSEEN and not unseen.passed
    assert "the line is too slow or broken" in unseen.findings[0].text
    board.losing = False
    unproven = bench.case(Case(("iq.flip",)))
    assert unproven.verdict is Verdict.UNPROVEN and unproven.skipped
    assert bench.case(Case(("hdlc.fcs",))).verdict is Verdict.DETECTED


# ---- what cannot be --------------------------------------------------------------------------------------


def test_a_board_that_goes_away_leaves_a_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    page, xml = tmp_path / "part.html", tmp_path / "part.xml"
    with running_board("--pty", "--pace", "2000") as (name, process):
        case = LiveBench.case
        done: list[Case] = []

        def until_the_third(bench: LiveBench, one: Case) -> Any:
            done.append(one)
            if len(done) == 3:
                process.kill()
            return case(bench, one)

        monkeypatch.setattr(LiveBench, "case", until_the_third)
        words = ["campaign", name, "--yes", "--json", "--html", str(page), "--junit", str(xml)]
        assert main(words) == 2
    captured = capsys.readouterr()
    record = json.loads(captured.out)
    assert not record["complete"] and 0 < len(record["cases"]) < record["summary"]["planned"]
    assert record["summary"]["failed"] == 0
    ended, why = captured.err.splitlines()
    assert "ended early; The campaign is incomplete" in ended and name in why
    done, planned = len(record["cases"]), record["summary"]["planned"]
    assert "INCOMPLETE" in page.read_text() and f"stopped after {done} of {planned}" in page.read_text()
    (error,) = Xml.parse(xml).iter("error")
    assert error.attrib["message"] == f"campaign stopped after {done} of {planned} cases"
    assert Xml.parse(xml).getroot().attrib["errors"] == "1"


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("inject", "{}", "--fault", "hdlc.fcs"), "--yes does it without asking"),
        (("campaign", "{}", "--yes", "--pointer", "40"), "--pointer is for emulated links"),
        (("campaign", "{}", "--yes", "--via", "craft"), "--via craft is for emulated links"),
        (
            ("campaign", "{}", "--yes", "--only", "ethernet.fcs", "--option", "4"),
            "the board is of option 2, not 4; leave --option out",
        ),
    ],
)
def test_what_cannot_be_is_said_in_one_line(
    words: tuple[str, ...], text: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(live.LiveLink.__init__.__kwdefaults__, "patience_s", 0.5)
    with running_board("--pty", "--pace", "0") as (name, _):
        assert main([word.format(name) for word in words]) == 2
    error = capsys.readouterr().err
    assert text in error.splitlines()[-1] and "Traceback" not in error


def test_a_board_of_a_pair_is_told_apart(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with running_board("--pty", "--link", str(tmp_path / "link")) as (name, _):
        assert main(["campaign", name, "--yes"]) == 2
    assert "receives what another one sends" in capsys.readouterr().err


def test_a_board_that_takes_no_fault_proves_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(self: PumpedBoard, text: str) -> None:
        raise RefusedError(f"the board refuses InjectFault: {text}")

    monkeypatch.setattr(PumpedBoard, "inject", refuse)
    bench = LiveBench(PumpedBoard(), "board")
    campaign = run_campaign(bench.conditions, [Case(("hdlc.fcs",)), Case(("line.k", "iq.flip"))], bench=bench)
    assert [r.verdict for r in campaign.results[1:]] == [Verdict.LEFT_OUT] * 2
    assert not campaign.proves
    assert main(["campaign", "emulated", "--pointer", "0", "--only", "ethernet.fcs"]) == 2
    assert "nothing was tested" in capsys.readouterr().err


def test_every_counter_is_looked_at() -> None:
    trial = live.Trial(live.LiveLink(PumpedBoard()))
    assert set(trial.counters) == set(COUNTERS)
