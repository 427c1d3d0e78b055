"""The command line: typed words find actions."""

from __future__ import annotations

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.command_page import Action, CommandPage, matching
from tests.support.screen_fakes import FakeSource
from tests.support.screens import open_page, rows, screen, text


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


def test_actions_have_every_typed_word_and_those_that_begin_with_it_come_first() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    actions = [
        Action("", text, "x", "x", app)
        for text in ("next error", "errors only", "Inject: faults", "count from here")
    ]
    assert [a.text for a in matching(actions, "ERROR")] == ["errors only", "next error"]
    assert [a.text for a in matching(actions, "err nex")] == ["next error"]
    assert matching(actions, "  ") == actions and matching(actions, "zz") == []
