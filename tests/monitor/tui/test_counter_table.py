"""Counters by plane, folded where room is short, and what of them is an error."""

from __future__ import annotations

import re

from decoders.counters import COUNTERS
from tests.support.screen_fakes import FakeFaultySource
from tests.support.screens import advance, screen


async def test_counters_fold_and_unfold_with_the_room_and_scroll() -> None:
    async with screen(FakeFaultySource(40), size=(80, 24), steps=2) as (app, pilot):
        app.pipeline.inject("ethernet.fcs")
        await pilot.press("3")
        advance(app, 8)
        await pilot.pause()
        table = app.inject_view.counters
        shown = table.shown()
        assert re.search(r"counter .* total  mark +in \d+ ms last hf$", shown[0])
        assert any(re.fullmatch(r"E!ethernet_fcs_errors +1 +1 +1 +\d+", row) for row in shown)
        assert "S sync and timing: all 0" in shown and "E 5 more, all 0" in shown
        await pilot.press("m")
        await pilot.pause()
        assert any(re.fullmatch(r"E ethernet_fcs_errors +1 +0 +1 +\d+", row) for row in table.shown())
        await pilot.resize_terminal(120, 70)
        await pilot.pause()
        await pilot.pause()
        names = [row[2:].split()[0] for row in table.shown()[1:] if row]
        assert sorted(names) == sorted(COUNTERS)
        await pilot.resize_terminal(80, 20)
        await pilot.pause()
        await pilot.pause()
        first = table.shown()[1]
        await pilot.press("pagedown")
        assert re.match(r"  counter \d+-\d+ of \d+", table.shown()[0]) and table.shown()[1] != first
