"""The screen driven by keys: what it shows as text, at several sizes, with and without colour.

Golden texts lie in golden/; FRAMEFRAY_WRITE_GOLDEN=1 writes them anew, to be read before they are committed.
"""

from __future__ import annotations

import os
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest
from textual.pilot import Pilot

from decoders import events as ev
from monitor.faults.catalogue import CATALOGUE, parse_fault
from monitor.faults.verdict import Verdict
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import LogEntry
from monitor.sources.source import Standstill
from monitor.tui.app import FrayApp, refreshes_per_second
from monitor.tui.command_page import CommandPage
from monitor.tui.fault_list import FAULTS as EVERY_FAULT
from monitor.tui.fault_list import FaultChoice
from monitor.tui.line_pane import Line
from monitor.tui.pages import Page
from tests.support.screen_fakes import FakeFaultySource, FakeSource

GOLDEN = Path(__file__).parent / "golden"
SIZES = ((80, 24), (120, 40), (200, 60))
FAULTS = tuple(
    FaultChoice(name, f"what {name} does")
    for name in (
        "line.flip",
        "sync.comma",
        "sync.hfn",
        "hdlc.fcs",
        "hdlc.abort",
        "ethernet.fcs",
        "vendor.value",
    )
)
Run = tuple[FrayApp, Pilot[int]]
Show = Callable[[Sequence[Line]], None]


@asynccontextmanager
async def screen(
    source: FakeSource | None = None,
    *,
    size: tuple[int, int] = (80, 24),
    steps: int = 6,
    colour: bool | None = None,
) -> AsyncIterator[Run]:
    pipeline = Pipeline(FakeSource() if source is None else source)
    app = FrayApp(pipeline, live=False, colour=colour, faults=FAULTS)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        advance(app, steps)
        await pilot.pause()
        yield app, pilot


def advance(app: FrayApp, steps: int) -> None:
    for _ in range(steps):
        app.pipeline.step()
        app.tick()


def rows(app: FrayApp) -> list[str]:
    return [strip.text.rstrip() for strip in app.screen._compositor.render_strips()]


def open_page(app: FrayApp) -> object:
    """The page that lies over the views, or the screen with the views itself."""
    return app.screen


def text(app: FrayApp) -> str:
    return "\n".join(rows(app)) + "\n"


async def _link(app: FrayApp, pilot: Pilot[int]) -> None:
    await pilot.press("e", "right", "down")


async def _events(app: FrayApp, pilot: Pilot[int]) -> None:
    await pilot.press("2", "v", "up")


async def _inject(app: FrayApp, pilot: Pilot[int]) -> None:
    await pilot.press("3")
    names = [fault.name for fault in app.inject_view.faults.faults]
    for name in ("ethernet.fcs", "sync.hfn"):
        app.inject_view.faults.index = names.index(name)
        await pilot.press("enter")
        await pilot.pause()
        advance(app, 4)
    await pilot.press("m")
    advance(app, 2)


PREPARE: dict[str, Callable[[FrayApp, Pilot[int]], Awaitable[None]]] = {
    "link": _link,
    "events": _events,
    "inject": _inject,
}


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("view", PREPARE)
async def test_view_reads_as_kept(view: str, size: tuple[int, int]) -> None:
    source = FakeFaultySource(20) if view == "inject" else FakeSource()
    async with screen(source, size=size) as (app, pilot):
        await PREPARE[view](app, pilot)
        await pilot.pause()
        shown = text(app)
    kept = GOLDEN / f"{view}_{size[0]}x{size[1]}.txt"
    if os.environ.get("FRAMEFRAY_WRITE_GOLDEN"):
        kept.write_text(shown, encoding="utf-8")
    assert shown == kept.read_text(encoding="utf-8")


@pytest.mark.parametrize("view", PREPARE)
async def test_no_color_sends_the_same_text_without_colour(
    view: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    source = FakeFaultySource(20) if view == "inject" else FakeSource()
    async with screen(source) as (app, pilot):
        await PREPARE[view](app, pilot)
        await pilot.pause()
        assert text(app) == (GOLDEN / f"{view}_80x24.txt").read_text(encoding="utf-8")
        strips = app.screen._compositor.render_strips()
        styles = {segment.style for strip in strips for segment in strip if segment.style is not None}
    seen = {c for style in styles for c in (style.color, style.bgcolor) if c is not None}
    assert {c.name for c in seen} <= {"default"}
    assert any(style.reverse for style in styles)


@pytest.mark.parametrize(
    ("size", "option"),
    [
        ((80, 24), "1"),
        ((80, 24), "7"),
        ((100, 30), "2"),
        ((101, 24), "2"),
        ((120, 40), "7"),
        ((196, 50), "4"),
        ((200, 60), "7"),
    ],
)
async def test_nothing_overlaps_and_keys_stay_on_the_screen(size: tuple[int, int], option: str) -> None:
    async with screen(FakeSource(4, 8, option=option), size=size, steps=3) as (app, pilot):
        for view, panes in (
            ("1", [app.link_view.matrix, app.link_view.inspector, app.link_view.levels]),
            ("2", [app.events_view.list]),
            ("3", [app.inject_view.counters, app.inject_view.faults, app.inject_view.verdicts]),
        ):
            await pilot.press(view)
            await pilot.pause()
            await pilot.pause()
            app.tick()
            await pilot.pause()
            panes = [app.status, *panes, app.keys]
            regions = [pane.region for pane in panes]
            for i, region in enumerate(regions):
                assert region.area > 0, panes[i]
                assert app.screen.region.contains_region(region)
                assert not any(region.overlaps(other) for other in regions[i + 1 :])
            for pane in panes:
                widths = [sum(len(s.text) for s in line) for line in pane.lines]
                assert all(w <= pane.size.width for w in widths), (pane, max(widths), pane.size)
            if view == "1":
                assert len(app.link_view.matrix.lines) <= app.link_view.matrix.size.height
                assert any("changed" in line for line in app.link_view.inspector.shown())
            assert "q quit" in text(app)


async def test_status_says_source_sync_time_and_errors() -> None:
    async with screen() as (app, _):
        shown = rows(app)[:3]
    assert "fake link" in shown[0] and "decoded 120 lost 0" in shown[0]
    assert "+ HFNSYNC" in shown[1] and "start-up E" in shown[1]
    assert "option 2" in shown[1] and "1228.8 Mbit/s" in shown[1]
    assert " local los lof  remote los lof rai sdi rst  + 0 errors since start" in shown[2]
    assert shown[1].endswith("BFN.HFN   18.109")


async def test_what_is_not_known_yet_is_a_dash() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    async with app.run_test(size=(160, 24)) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.pause()
        shown = rows(app)
        assert "BFN.HFN -" in shown[1]
        assert shown[2] == " local los!LOF  remote -  errors -  version -  HDLC rate code -  pointer p -"
        assert "no hyperframe yet" in shown[5] or "no hyperframe yet" in text(app)
        assert re.search(r"E  fast C&M .* -", text(app)) and " Xs0 -- -- " in text(app)
        advance(app, 2)
        await pilot.pause()
        assert "version 1  HDLC rate code 3  pointer p 40" in rows(app)[2]


async def test_errors_stand_in_the_bar_of_their_plane_and_tell_their_window() -> None:
    source = FakeFaultySource(40)
    async with screen(source, steps=2) as (app, pilot):
        app.pipeline.inject("ethernet.fcs")
        advance(app, 8)
        await pilot.pause()
        assert re.search(r"! 1 error since start, 1 in \d+ ms", rows(app)[2])
        assert "E40 ! 1 error " in text(app) and "E48 ! 1 error " in text(app)
        assert re.search(r"E  fast C&M +! 1 error", text(app))
        await pilot.press("m")
        await pilot.pause()
        assert "! 1 error" not in text(app) and "E40───" in text(app)


async def test_remote_alarms_stand_out_by_more_than_colour() -> None:
    source = FakeSource()
    async with screen(source) as (app, pilot):
        source.encoder.alarms = 0x02 | 0x08
        advance(app, 1)
        await pilot.pause()
        assert "remote!LOS lof!RAI sdi rst" in rows(app)[2]


async def test_arrows_and_click_move_the_cursor_and_tell_of_the_word() -> None:
    async with screen() as (app, pilot):
        await pilot.press("right", "right", "down", "down", "down")
        assert (app.link_view.matrix.ns, app.link_view.matrix.xs) == (2, 3)
        assert any("pointer p = 40" in line for line in app.link_view.inspector.shown())
        await pilot.press("down")
        assert (app.link_view.matrix.ns, app.link_view.matrix.xs) == (18, 0)  # into the next band
        await pilot.click(app.link_view.matrix, offset=(5 + 3 * 3 + 1, 5 + 2))
        assert (app.link_view.matrix.ns, app.link_view.matrix.xs) == (19, 1)
        assert "vendor" in app.link_view.inspector.shown()[0]


async def test_plane_letters_jump() -> None:
    async with screen() as (app, pilot):
        seen = []
        for key in "hlcrrve":
            await pilot.press(key)
            seen.append(app.link_view.matrix.ns)
    assert seen == [1, 2, 4, 8, 3, 16, 40]


async def test_changed_octets_are_marked_until_the_next_refresh() -> None:
    async with screen() as (app, pilot):
        hfn = rows(app)[5]
        assert hfn.startswith(" Xs1 6D*")
        app.tick()
        await pilot.pause()
        assert rows(app)[5].startswith(" Xs1 6D ")


async def test_levels_of_the_iq_data() -> None:
    """A tone of amplitude 2000 of 2^14: 20 log10(2000 / 16384) = -18.27 dB, computed."""
    async with screen() as (app, _):
        shown = app.link_view.levels.shown()
    assert "assumed" in shown[0]
    assert shown[1].split() == ["A0", "-18.3", "pk", "-18.3", "dc", "0.00"]


async def test_events_follow_hold_and_filter() -> None:
    async with screen() as (app, pilot):
        await pilot.press("2")
        pane = app.events_view.list
        before = len(pane.rows)
        await pilot.press("space")
        advance(app, 1)
        assert len(pane.rows) == before
        assert "HOLD" in pane.shown()[0]
        await pilot.press("f")
        advance(app, 1)
        assert len(pane.rows) > before and pane.following
        await pilot.press("v")
        assert not any(" ~ changed" in line for line in pane.shown())
        assert "without V" in pane.shown()[0]
        await pilot.press("b")
        assert len(pane.rows) == 0
        await pilot.press("a")
        assert len(pane.rows) > before


async def test_next_error_and_open_in_full() -> None:
    source = FakeFaultySource()
    async with screen(source, steps=2) as (app, pilot):
        app.pipeline.inject("ethernet.fcs")
        advance(app, 5)
        await pilot.press("2", "N")
        chosen = app.events_view.list.chosen
        assert chosen is not None and "wrong FCS" in "\n".join(app.events_view.list.shown())
        await pilot.press("n")
        assert app.events_view.list.chosen is chosen  # it is the last one
        await pilot.press("enter")
        await pilot.pause()
        await pilot.pause()
        assert isinstance(app.screen, Page)
        page = text(app)
        assert "wrong FCS" in page and "10.77.0.11" in page and "octets in line order" in page
        await pilot.press("escape")
        await pilot.pause()
        assert not isinstance(app.screen, Page)


async def test_lines_that_came_too_fast_are_counted() -> None:
    pipeline = Pipeline(FakeSource(), history=5)
    app = FrayApp(pipeline, live=False)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(6):
            pipeline.step()
        app.tick()
        await pilot.press("2")
        await pilot.pause()
        shown = app.events_view.list.shown()[0]
        lost = pipeline.snapshot().events - 5
    assert f"{lost} not shown: too fast" in shown


async def test_injected_faults_get_verdicts() -> None:
    async with screen(FakeFaultySource(200), steps=4) as (app, pilot):
        await _inject(app, pilot)
        advance(app, 2)
        await pilot.pause()
        assert [j.verdict for j in app.feed.judged] == [Verdict.DETECTED, Verdict.WAITING]
        await pilot.press("enter")
        assert "is not judged yet" in "\n".join(app.inject_view.verdicts.shown())
        advance(app, 76)
        assert [j.verdict for j in app.feed.judged] == [Verdict.DETECTED, Verdict.MISSED]
        assert "! missed" in "\n".join(app.inject_view.verdicts.shown())


async def test_a_source_without_faults_says_so() -> None:
    async with screen() as (app, pilot):
        await pilot.press("3", "enter")
        await pilot.pause()
        assert "No faults can be injected" in text(app)


async def test_plane_letters_jump_to_faults() -> None:
    async with screen(FakeFaultySource()) as (app, pilot):
        await pilot.press("3", "h")
        assert app.inject_view.faults.fault.name == "hdlc.fcs"
        await pilot.press("s", "down")
        assert app.inject_view.faults.fault.name == "sync.hfn"


def test_every_fault_of_the_catalogue_can_be_chosen() -> None:
    assert {fault.name for fault in EVERY_FAULT} == set(CATALOGUE)
    for fault in EVERY_FAULT:
        assert parse_fault(fault.text).kind.name == fault.name


async def test_refused_faults_are_said_in_words() -> None:
    async with screen(FakeFaultySource()) as (app, pilot):
        await pilot.press("3", "enter")
        await pilot.pause()
        assert "no such fault here" in text(app)


async def test_mark_counts_anew() -> None:
    async with screen() as (app, pilot):
        assert app.feed.since_mark("ethernet_frames") > 0
        await pilot.press("m")
        assert app.feed.since_mark("ethernet_frames") == 0
        assert "+ 0 errors since mark at 120" in text(app)


async def test_keys_work_while_a_page_is_open() -> None:
    async with screen() as (app, pilot):
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.press("m", "p")
        advance(app, 1)
        assert app.feed.marked_at == 120 and app.paused
        await pilot.press("p", "3")
        await pilot.pause()
        assert app.view == 2 and not isinstance(app.screen, Page)


async def test_panes_draw_before_they_have_a_size() -> None:
    pipeline = Pipeline(FakeFaultySource())
    for _ in range(6):
        pipeline.step()
    app = FrayApp(pipeline, live=False)
    snapshot = app.feed.snapshot
    app.link_view.inspector.update(snapshot, 2, 1)
    app.link_view.plane_table.update(app.feed)
    app.link_view.levels.update(snapshot)
    app.link_view.matrix.update(snapshot)
    app.events_view.list.update()
    app.inject_view.counters.update(app.feed)
    app.inject_view.faults.update(True)
    app.inject_view.verdicts.update(
        app.feed, app.inject_view.faults.fault, "a problem", app.inject_view.repeater
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.pause()
        assert "decoded 120" in text(app)


async def test_a_new_size_is_filled_also_when_paused() -> None:
    async with screen() as (app, pilot):
        await pilot.press("p")
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        await pilot.pause()
        assert len([line for line in app.link_view.levels.shown() if "dBFS" in line]) == 2
        assert "planes of this link" in text(app)
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        await pilot.pause()
        assert "planes of this link" not in text(app)
        assert [line[:4] for line in rows(app)[3:23:5]] == ["  Ns"] * 4


async def test_pause_stands_still_and_says_so() -> None:
    async with screen() as (app, pilot):
        await pilot.press("p")
        advance(app, 1)
        await pilot.pause()
        assert "[PAUSED] fake link" in rows(app)[0] and "decoded 120 " in rows(app)[0]
        await pilot.press("p")
        app.tick()
        await pilot.pause()
        assert "decoded 140 " in rows(app)[0]


async def test_end_of_source_stays_and_says_so() -> None:
    async with screen(FakeSource(4), steps=6) as (app, _):
        assert "[ENDED] fake link" in rows(app)[0]


class BreakingSource(FakeSource):
    standstill: Standstill | None = None


async def test_a_line_that_breaks_or_is_silent_is_said_in_every_view() -> None:
    source = BreakingSource(9)
    async with screen(source, steps=4) as (app, pilot):
        assert "[" not in rows(app)[0].replace("[1 Link]", "") and rows(app)[1].startswith(" + HFNSYNC")
        source.standstill = Standstill(12.4, broken=True)
        source.warnings.append("the line broke: \x1b[2J device is gone")
        advance(app, 1)
        for view in "1234":
            await pilot.press(view)
            await pilot.pause()
            assert "[LINE DOWN 12 s]" in rows(app)[0]
            assert rows(app)[1].startswith(" ? was HFNSYNC") and "? 0 errors" in rows(app)[2]
        source.standstill = Standstill(200, broken=False)
        source.warnings.append("the line is back after 13.0 s")
        advance(app, 1)
        assert "[NO DATA 3 min]" in rows(app)[0]
        await pilot.press("2", "b")
        await pilot.pause()
        told = [row for row in rows(app) if " ! source " in row]
        assert [row.split("source    ")[1] for row in told] == [
            r"the line broke: \x1b[2J device is gone",
            "the line is back after 13.0 s",
        ]
        source.standstill = None
        advance(app, 1)
        assert "NO DATA" not in rows(app)[0] and rows(app)[1].startswith(" + HFNSYNC")


async def test_a_dark_line_is_one_line_of_the_transcript() -> None:
    dark = [LogEntry(n, ev.CodeErrors(7, 8000 + n, 1, 5)) for n in range(3000)]
    other = [LogEntry(3000, ev.CodeErrors(8, 2, 0, 5)), LogEntry(3001, ev.SyncByteMissed(8, 0))]
    async with screen() as (app, _):
        pane = app.events_view.list
        pane.forget()
        for first in range(0, 3000, 1000):
            pane._next = first
            pane.read(SimpleNamespace(entries_since=lambda n: (dark + other)[n : n + 1000]), 3002)
        pane.read(SimpleNamespace(entries_since=lambda n: (dark + other)[n:]), 3002)
        told = [entry.event for entry in pane.rows]
        assert told == [ev.CodeErrors(7, sum(range(8000, 11000)), 3000, 5), other[0].event, other[1].event]


async def test_gaps_stay_in_the_header() -> None:
    async with screen() as (app, _):
        app.pipeline.decoder.progress.gaps_of_unknown_length = 2
        advance(app, 1)
        assert rows(app)[0].endswith("lost 0 gaps 2")


class GuardedFaultySource(FakeFaultySource):
    allow = False


async def test_a_board_is_asked_for_before_the_first_fault() -> None:
    source = GuardedFaultySource(200)
    source.description = "port \x1b[2J (REC-A)"
    async with screen(source, steps=4) as (app, pilot):
        await pilot.press("3")
        app.inject_view.faults.index = [fault.name for fault in app.inject_view.faults.faults].index(
            "ethernet.fcs"
        )
        for key in ("enter", "x"):
            await pilot.press(key)
            await pilot.pause()
            told = text(app)
            assert r"port \x1b[2J (REC-A): this makes it transmit damaged data." in told
            assert " y yes" in told and "antenna" in told
            await pilot.press("enter")  # the key that asked is no yes
            await pilot.pause()
            assert not source.allow and not app.feed.judged and not app.inject_view.repeater.active
        await pilot.press("enter")
        await pilot.pause()
        await pilot.press("y")
        await pilot.pause()
        assert source.allow and len(app.feed.judged) == 1
        advance(app, 10)
        await pilot.press("enter")
        await pilot.pause()
        assert len(app.feed.judged) == 2 and "transmit damaged" not in text(app)


async def test_failure_is_shown_in_words_and_inert() -> None:
    source = FakeSource(breaks_at=3)
    pipeline = Pipeline(source)
    app = FrayApp(pipeline)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(60):
            await pilot.pause(0.05)
            if app.failure.display:
                break
        await pilot.pause()
        shown = text(app)
    assert "[FAILED]" in shown
    assert "Reading stopped: the board \\x1b[31mwent away at offset 4096" in shown
    assert source.closed


async def test_thread_and_timer_read_a_whole_source() -> None:
    pipeline = Pipeline(FakeSource(6))
    app = FrayApp(pipeline, fps=30)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(60):
            await pilot.pause(0.05)
            if "[ENDED]" in text(app):
                break
        assert "decoded 120 " in rows(app)[0]
        await pilot.press("q")
    assert app.return_value == 0


@pytest.mark.parametrize("view", ["1", "2", "3"])
async def test_hostile_text_stays_inert(view: str) -> None:
    source = FakeSource(hostile=True, description="\x1b]0;x\x07[red]na\u202eme\U0001f600e\u0301")
    async with screen(source) as (app, pilot):
        await pilot.press(view)
        await pilot.pause()
        shown = [text(app)]
        if view == "2":
            for keys in (("e", "r", "v", "enter"), ("escape", "a", "h", "v", "up", "enter")):
                await pilot.press(*keys)
                await pilot.pause()
                await pilot.pause()
                shown.append(text(app))
            assert "\\x1b" in shown[1] and "octets in line order" in shown[1]
    allowed = {chr(c) for c in range(32, 127)} | {"\n", "─"}
    for page in shown:
        assert set(page) <= allowed, set(page) - allowed


async def test_every_key_is_in_help_and_an_action_and_none_collides() -> None:
    async with screen() as (app, pilot):
        forbidden = {"ctrl+a", "ctrl+b", "ctrl+s", "ctrl+q"}
        everywhere = [k for b in app.BINDINGS for k in b.key.split(",")]  # type: ignore[union-attr]
        for number, owner in (
            ("1", app.link_view.matrix),
            ("2", app.events_view.list),
            ("3", app.inject_view.faults),
        ):
            keys = [k for b in type(owner).BINDINGS for k in b.key.split(",")]  # type: ignore[union-attr]
            both = everywhere + keys
            assert len(both) == len(set(both)), sorted(both)
            assert not forbidden & set(both)
            assert not any(k.startswith(("alt+", "f1")) for k in both)
            await pilot.press(number)
            texts = {action.text for action in app.actions()}
            for binding in (*app.BINDINGS, *type(owner).BINDINGS):
                assert binding.description in texts or not binding.show  # type: ignore[union-attr]
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        page, at = app.screen, ""
        assert isinstance(page, Page)
        seen = text(app)
        while at != seen:
            at = seen
            await pilot.press("pagedown")
            await pilot.pause()
            seen = text(app)
        assert "Marks" in seen and "150 000 hyperframes" in seen
        await pilot.press("1")
        await pilot.pause()
        assert not isinstance(app.screen, Page)


async def test_typed_words_find_actions_and_enter_does_one() -> None:
    async with screen() as (app, pilot):
        await pilot.press("colon")
        await pilot.pause()
        await pilot.press(*"here cou")
        await pilot.pause()
        assert isinstance(open_page(app), CommandPage)
        assert rows(app)[0].startswith(" do: here cou") and "count from here" in rows(app)[1]
        await pilot.press("enter")
        await pilot.pause()
        await pilot.pause()
        assert app.feed.marked_at == 120 and not isinstance(open_page(app), CommandPage)
        await pilot.press("colon")
        await pilot.pause()
        await pilot.press(*"go to", "down", "enter")
        await pilot.pause()
        await pilot.pause()
        assert app.link_view.matrix.ns > 0
        await pilot.press("colon")
        await pilot.pause()
        await pilot.press(*"zz")
        await pilot.pause()
        assert "no action has these words" in text(app)
        await pilot.press("enter", "escape")
        await pilot.pause()
        assert not isinstance(open_page(app), CommandPage)


def test_refresh_rate() -> None:
    assert refreshes_per_second(None, {}) == 10
    assert refreshes_per_second(None, {"SSH_CONNECTION": "192.0.2.1 5 192.0.2.2 22"}) == 4
    assert refreshes_per_second(25, {"SSH_CONNECTION": "x"}) == 25


async def test_quiet_refreshes_repaint_nothing() -> None:
    """With nothing new, a refresh must not mark any line dirty but the change marks it takes away."""
    async with screen() as (app, pilot):
        app.tick()
        await pilot.pause()
        calls = []
        for pane in (app.status, app.link_view.matrix, app.link_view.inspector, app.link_view.levels):
            pane.refresh = lambda *a, **k: calls.append(a)  # type: ignore[method-assign,assignment]
        app.tick()
        assert calls == []


@pytest.mark.parametrize(("view", "drawn"), [("1", 10), ("2", 8), ("3", 15)])
async def test_a_view_with_much_that_changes_is_refreshed_seldom(
    view: str, drawn: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten ticks a second; the status lines are drawn at each, what lies below as often as can be read."""
    async with screen(FakeFaultySource(40)) as (app, pilot):
        await pilot.press(view)
        await pilot.pause()
        await pilot.pause()
        app.sparing = True
        counts = {"status": 0, "pane": 0}
        panes = {
            "status": app.status,
            "pane": (app.link_view.matrix, app.events_view.list, app.inject_view.counters)[int(view) - 1],
        }
        for name, pane in panes.items():

            def noting(lines: Sequence[Line], name: str = name, show: Show = pane.show) -> None:
                counts[name] += 1
                show(lines)

            monkeypatch.setattr(pane, "show", noting)
        advance(app, 30)
        assert counts == {"status": 30, "pane": drawn}
