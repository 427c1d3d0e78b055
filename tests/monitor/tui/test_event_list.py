"""The list of events: following, holding, filtering, and finding errors."""

from __future__ import annotations

from types import SimpleNamespace

from decoders import events as ev
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import LogEntry
from monitor.tui.app import FrayApp
from monitor.tui.pages import Page
from tests.support.screen_fakes import FakeFaultySource, FakeSource
from tests.support.screens import advance, screen, text


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
