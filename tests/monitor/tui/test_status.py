"""The lines that every view has."""

from __future__ import annotations

import re

from monitor.links.pipeline import Pipeline
from monitor.sources.source import Standstill
from monitor.tui.app import FrayApp
from tests.support.screen_fakes import FakeSource
from tests.support.screens import advance, rows, screen, text


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


async def test_remote_alarms_stand_out_by_more_than_colour() -> None:
    source = FakeSource()
    async with screen(source) as (app, pilot):
        source.encoder.alarms = 0x02 | 0x08
        advance(app, 1)
        await pilot.pause()
        assert "remote!LOS lof!RAI sdi rst" in rows(app)[2]


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


async def test_gaps_stay_in_the_header() -> None:
    async with screen() as (app, _):
        app.pipeline.decoder.progress.gaps_of_unknown_length = 2
        advance(app, 1)
        assert rows(app)[0].endswith("lost 0 gaps 2")
