"""Every view: its hints are its keys; its digit, id and question."""

from __future__ import annotations

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.palette import LETTERS
from monitor.tui.view_keys import bindings_of, key_names
from tests.support.screen_fakes import FakeSource

ALIKE = {
    "arrows": {"left", "right", "up", "down"},
    "letters": {letter.lower() for letter in LETTERS.values()},
}


def test_every_hint_is_a_key_of_its_view() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    for view in app.views:
        keys = {name for b in bindings_of(type(view.owner).BINDINGS) for name in key_names(b).split(", ")}
        for hint, _ in view.hints:
            for key in ALIKE.get(hint, set(hint.split("/"))):
                assert key in keys or key in "ki", (view.NAME, key)  # the hyperframe has neither line nor IQ


def test_views_have_a_digit_an_id_and_a_question_each() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    assert [view.id for view in app.views] == ["link", "events", "inject", "delay"]
    assert all(view.QUESTION.endswith("?") for view in app.views)
    digits = [binding.key for binding in bindings_of(app.BINDINGS) if binding.key.isdigit()]
    assert digits == ["1", "2", "3", "4"]
