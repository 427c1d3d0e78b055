"""What every screen has in common: keys for its views, refreshes, notes."""

from __future__ import annotations

from textual.binding import Binding

from monitor.tui.views_app import EVERYWHERE_KEYS, refreshes_per_second, view_keys
from tests.support.screens import rows, screen


def test_a_digit_for_each_view() -> None:
    keys = view_keys([("Link", "what?"), ("Site", "which?")])
    assert [(k.key, k.action, k.description) for k in keys if isinstance(k, Binding)] == [
        ("1", "view(0)", "Link: what?"),
        ("2", "view(1)", "Site: which?"),
    ]
    assert {k.key for k in EVERYWHERE_KEYS if isinstance(k, Binding)} >= {
        "m",
        "p",
        "question_mark",
        "colon",
        "q",
    }


def test_refreshes_are_kept_within_reason() -> None:
    assert [refreshes_per_second(fps, {}) for fps in (0.01, 25.0, 1000.0)] == [0.2, 25.0, 60.0]


async def test_a_note_stands_for_a_while() -> None:
    async with screen() as (app, pilot):
        app.on_screen_view_note(app.inject_view.Note("read me"))
        await pilot.pause()
        assert "read me" in rows(app)[0]
        for _ in range(60):
            app.tick()
        await pilot.pause()
        assert "read me" not in rows(app)[0]
