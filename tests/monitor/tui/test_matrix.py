"""The hyperframe: its cursor, its marks and its bars."""

from __future__ import annotations

import re

from tests.support.screen_fakes import FakeFaultySource
from tests.support.screens import advance, rows, screen, text


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
