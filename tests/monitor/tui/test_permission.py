"""A board is asked for before anything is done to it."""

from __future__ import annotations

from tests.support.screen_fakes import FakeFaultySource
from tests.support.screens import advance, screen, text


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
