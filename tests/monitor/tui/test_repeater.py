"""Faults again and again, each judged; and every fault of the catalogue judged once by the screen's own judge."""

from __future__ import annotations

import pytest

from decoders.counters import ERROR_COUNTERS
from decoders.linerates import option_named
from monitor.emulation.emulated_link import EmulatedSource
from monitor.faults.verdict import Verdict
from monitor.links.pipeline import Pipeline
from monitor.tui.fault_list import FaultChoice, faults_for
from monitor.tui.feed import Feed
from monitor.tui.repeater import INTERVALS
from tests.support.screen_fakes import FakeFaultySource, FakeSource
from tests.support.screens import FAULTS, advance, rows, screen, text


@pytest.mark.parametrize("fault", faults_for(option_named("2")), ids=lambda f: f.name)
def test_each_fault_of_the_list_passes_on_the_emulated_pair_and_leaves_nothing(fault: FaultChoice) -> None:
    pipeline = Pipeline(EmulatedSource(pair=True, chunk_hyperframes=25))
    feed = Feed(pipeline)
    for _ in range(8):
        pipeline.step()
    pipeline.inject(fault.text)
    for _ in range(75):
        pipeline.step()
        feed.read()
        if not feed.waiting:
            break
    (judged,) = feed.judged
    assert judged.verdict.passed, judged
    for _ in range(3):
        pipeline.step()
    settled = pipeline.snapshot()
    for _ in range(3):
        pipeline.step()
    later = pipeline.snapshot()
    assert later.sync_state == "HFNSYNC"
    assert {n: later.counters[n] - settled.counters[n] for n in ERROR_COUNTERS if n in later.counters} == {
        n: 0 for n in ERROR_COUNTERS if n in later.counters
    }


def choose(names: tuple[FaultChoice, ...], name: str) -> int:
    return [fault.name for fault in names].index(name)


async def test_x_repeats_until_pressed_again_and_counts() -> None:
    async with screen(FakeFaultySource(400), steps=4) as (app, pilot):
        await pilot.press("3")
        app.inject_view.faults.index = choose(FAULTS, "ethernet.fcs")
        await pilot.press("plus", "plus", "x")
        await pilot.pause()
        assert app.inject_view.repeater.every == 100 and app.inject_view.repeater.active
        assert "repeat ethernet.fcs every 100 hf: 0 of 0 as expected" in text(app)
        assert "[REPEAT]" in rows(app)[0]
        advance(app, 52)
        await pilot.pause()
        assert app.inject_view.repeater.passed == app.inject_view.repeater.judged >= 9
        assert f"{app.inject_view.repeater.judged} of {app.inject_view.repeater.judged} as expected" in text(
            app
        )
        await pilot.press("enter")
        await pilot.pause()
        assert "a fault is being repeated; x stops that" in text(app)
        await pilot.press("x")
        await pilot.pause()
        advance(app, 6)
        done = app.inject_view.repeater.judged
        advance(app, 20)
        await pilot.pause()
        assert app.inject_view.repeater.judged == done == app.inject_view.repeater.passed
        assert f"repeat ethernet.fcs stopped: {done} of {done} as expected" in text(app)
        assert app.feed.snapshot.counters["ethernet_fcs_errors"] == done
        assert "[REPEAT]" not in rows(app)[0]


async def test_what_is_not_found_is_counted_against_it() -> None:
    async with screen(FakeFaultySource(400), steps=4) as (app, pilot):
        await pilot.press("3")
        app.inject_view.faults.index = choose(FAULTS, "sync.hfn")
        await pilot.press("x")
        advance(app, 160)
        await pilot.pause()
        assert (app.inject_view.repeater.passed, app.inject_view.repeater.judged) == (0, 2)
        assert (
            app.inject_view.repeater.worst is not None
            and app.inject_view.repeater.worst.verdict is Verdict.MISSED
        )
        assert "0 of 2 as expected; last failure at hf" in text(app)


async def test_repeats_end_with_the_source_and_where_it_refuses() -> None:
    async with screen(FakeFaultySource(20), steps=4) as (app, pilot):
        await pilot.press("3")
        app.inject_view.faults.index = choose(FAULTS, "ethernet.fcs")
        await pilot.press("x")
        advance(app, 20)
        assert not app.inject_view.repeater.active and app.inject_view.repeater.judged == 1
    async with screen(FakeFaultySource(20), steps=4) as (app, pilot):
        await pilot.press("3", "x")
        await pilot.pause()
        assert not app.inject_view.repeater.active and "no such fault here" in text(app)
    async with screen(FakeSource(), steps=4) as (app, pilot):
        await pilot.press("3", "x")
        await pilot.pause()
        assert not app.inject_view.repeater.active and "No faults can be injected" in text(app)


async def test_plus_repeats_more_often_and_the_interval_has_ends() -> None:
    async with screen(FakeFaultySource(20), steps=4) as (app, pilot):
        await pilot.press("3", "minus")
        assert app.inject_view.repeater.every == 1000 and "every 1000 hyperframes" in text(app)
        await pilot.press(*["minus"] * 20)
        assert app.inject_view.repeater.every == INTERVALS[-1]
        await pilot.press(*["plus"] * 20)
        assert app.inject_view.repeater.every == INTERVALS[0]
