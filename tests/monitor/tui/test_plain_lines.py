"""The lines of `watch --plain`: what the screen shows is in them, a flood is not, hostile text does nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decoders.events import Event, FrameReceived, FrameStatus, Plane
from monitor.links.named_link import NamedLink
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import BoardSaid, LogEntry, Snapshot, SourceWarning
from monitor.sources.source import BoardReport, Standstill
from monitor.tui.plain_lines import EventBudget, PlainLines, is_traffic
from tests.support.screen_fakes import HOSTILE, FakeFaultySource, FakeSource
from tests.test_words import old_words

STAMP = "2026-11-29 18:00:00Z"
GOOD = FrameReceived(3, bfn=0, hfn=3, plane=Plane.HDLC, status=FrameStatus.GOOD, data=b"x", fcs=b"")
BAD = replace(GOOD, status=FrameStatus.FCS)


def entries(*events: Event, first: int = 0) -> list[LogEntry]:
    return [LogEntry(first + i, event) for i, event in enumerate(events)]


@pytest.fixture(scope="module")
def pipeline() -> Pipeline:
    made = Pipeline(FakeFaultySource())
    made.step()
    made.inject("ethernet.fcs")
    for _ in range(5):
        made.step()
    return made


@pytest.fixture(scope="module")
def snapshot(pipeline: Pipeline) -> Snapshot:
    return pipeline.snapshot()


def test_a_line_an_event_with_place_plane_and_words(pipeline: Pipeline) -> None:
    lines = PlainLines("RE-1")
    told = list(lines.event_lines(pipeline.entries_since(0), pipeline.snapshot().events, 0.0))
    assert len(told) == pipeline.snapshot().events == lines.next_event
    assert all(line.startswith("RE-1 hf ") and "  " not in line for line in told)
    assert "RE-1 hf 3 sync: XSYNC2 to HFNSYNC" in told
    assert sum("fast C&M error, wrong FCS: 64 ARP request" in line for line in told) == 1
    assert any("slow C&M good:" in line and "RE-1 temperature 41 C" in line for line in told)
    assert list(lines.event_lines([], pipeline.snapshot().events, 0.0)) == []


def test_the_status_says_what_the_screen_shows(snapshot: Snapshot) -> None:
    board = BoardReport("RE-1", resets=1, delay_ns=812.5, records_lost=3)
    line = PlainLines("RE-1").status_line(NamedLink("RE-1", replace(snapshot, board=board)), STAMP)
    assert line.startswith(f"RE-1 status {STAMP}: HFNSYNC, start-up E interface negotiation; ")
    for told in (
        "alarms local none, remote none",
        "decoded 120 hyperframes (+120)",
        "1 error (+1)",
        "in 8 ms of line time: ",
        "ethernet_fcs_errors 1 (+1, 125/s)",  # 120 hyperframes of 1/15000 s: 8 ms, by hand
        "option 2 1228.8 Mbit/s read as octets",
        "BFN.HFN 18.109",
        "version 1, HDLC rate code 3, pointer p 40",
        "delay counted by the board 812.500 ns, 1 reset",
        "3 records lost on the line",
    ):
        assert told in line
    assert old_words(line) == []


def test_a_second_status_says_what_changed_since_the_first(snapshot: Snapshot) -> None:
    lines, link = PlainLines(), NamedLink("", snapshot)
    lines.status_line(link, STAMP)
    assert "no line time passed: no counter changed" in lines.status_line(link, STAMP)
    more = replace(snapshot, hyperframes=420, counters={**snapshot.counters, "hdlc_fcs_errors": 4})
    line = lines.status_line(replace(link, snapshot=more), STAMP)
    assert "in 20 ms of line time: hdlc_fcs_errors 4 (+4, 200/s);" in line
    assert "decoded 420 hyperframes (+300)" in line and "5 errors (+4)" in line
    anew = replace(more, hyperframes=30, counters=dict.fromkeys(snapshot.counters, 0) | {"hdlc_frames": 2})
    line = lines.status_line(NamedLink("", anew, restarts=1), STAMP)
    assert "hdlc_frames 2 (+2, 1000/s)" in line and "-" not in line.split("hyperframes (")[1][:5]


def test_alarms_and_settings_before_anything_is_known() -> None:
    line = PlainLines().status_line(NamedLink("", Pipeline(FakeSource()).snapshot()), STAMP)
    for told in ("remote -", "BFN.HFN -", "version -, HDLC rate code -, pointer p -", "errors -"):
        assert told in line


def test_a_source_that_is_not_open_has_a_reason_and_no_values() -> None:
    blank = Pipeline(FakeSource()).snapshot()
    lines, link = PlainLines("RE-1"), NamedLink("RE-1", blank, waiting="refused\n")
    assert list(lines.state_lines(link, 0.0)) == ["RE-1 line: not read now: refused\\n"]
    assert lines.status_line(link, STAMP) == f"RE-1 status {STAMP}: not read now: refused\\n"
    failed = NamedLink("RE-1", blank, failure="gone")
    assert lines.status_line(failed, STAMP).startswith(
        f"RE-1 status {STAMP}: reading stopped: gone, was XACQ1"
    )


def test_silence_line_down_and_up_are_said_once(snapshot: Snapshot) -> None:
    lines = PlainLines("RE-1")

    def at(now: float, still: Standstill | None, failure: str = "") -> list[str]:
        link = NamedLink("RE-1", replace(snapshot, standstill=still), failure=failure)
        return list(lines.state_lines(link, now))

    assert at(1, None) == []
    assert at(10, Standstill(2.0, False)) == ["RE-1 line: no line data for 2 s"]
    assert at(11, Standstill(3.0, False)) == []
    assert at(12, Standstill(0.5, True)) == ["RE-1 line: line down for 0 s"]
    assert at(30, None) == ["RE-1 line: line data come after 18 s"]
    assert at(31, None, "unplugged\x1b[2J") == ["RE-1 line: reading stopped: unplugged\\x1b[2J"]
    status = lines.status_line(
        NamedLink("RE-1", replace(snapshot, standstill=Standstill(200, True), los=True)), STAMP
    )
    assert "line down for 3 min, was HFNSYNC" in status and "alarms were local LOS, remote none" in status


def test_a_flood_is_left_out_and_counted_and_damage_comes_first() -> None:
    lines = PlainLines(rate=10)
    flood = entries(*[GOOD] * 500, *[BAD] * 7)
    told = list(lines.event_lines(flood, 507, 0.0))
    assert sum("wrong FCS" in line for line in told) == 7 and len(told) <= 10
    again = list(lines.event_lines(entries(*[BAD] * 900, first=507), 1407, 1.0))
    assert len(again) == 10
    # 4000 more have come, of which the log kept 2
    last = list(lines.event_lines(entries(GOOD, GOOD, first=5405), 5407, 1.5))
    link = NamedLink("", Pipeline(FakeSource()).snapshot())
    line = lines.status_line(link, STAMP)
    shown = len(told) + len(again) + len(last)
    assert f"; {5407 - shown} event lines left out (3998 not kept, " in line
    assert "890 slow C&M wrong FCS" in line
    assert "left out" not in lines.status_line(link, STAMP)


@pytest.mark.parametrize("rate", [1.0, 3.0, 50.0])
def test_no_more_than_the_rate_passes_in_any_second(rate: float) -> None:
    budget, passed = EventBudget(rate), []
    for step in range(100):
        now = step / 10
        passed += [now] * len(budget.admitted(entries(*[BAD, GOOD] * 20), now))
    assert len(passed) <= rate * 11
    assert len(passed) >= rate * 9


def test_traffic_is_left_out_where_that_is_asked_for(pipeline: Pipeline) -> None:
    lines = PlainLines(traffic=False)
    told = list(lines.event_lines(pipeline.entries_since(0), pipeline.snapshot().events, 0.0))
    assert told and not any(" good: " in line or " changed: " in line for line in told)
    assert any("wrong FCS" in line for line in told)
    assert is_traffic(GOOD) and not is_traffic(BAD) and not is_traffic(BoardSaid(1, "x"))
    assert "left out" not in lines.status_line(NamedLink("", pipeline.snapshot()), STAMP)


def test_hostile_text_is_inert_and_cannot_pass_for_another_line() -> None:
    text = HOSTILE.decode("latin-1") + "\nRE-2 status: all well"
    said = [BoardSaid(1, text), SourceWarning(1, text), replace(BAD, data=HOSTILE + b"\nRE-2 status")]
    lines = PlainLines("RE-1\x1b]0;x\x07")
    for line in lines.event_lines(entries(*said), 3, 0.0):
        assert line.isprintable() and line.startswith("RE-1\\x1b]0;x\\x07 hf ")
