"""Keys gathered for the help and the command line."""

from __future__ import annotations

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.key_help import help_groups
from monitor.tui.view_keys import bindings_of
from tests.support.screen_fakes import FakeSource


def test_help_has_a_group_for_each_view_and_one_for_a_replay_where_there_is_one() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    headings = [heading for heading, _ in help_groups(app.BINDINGS, app.views, replay=False)]
    assert headings == ["Everywhere", "1 Link", "1 Link, IQ data", "2 Events", "3 Inject", "4 Delay"]
    replayed = help_groups(app.BINDINGS, app.views, replay=True)
    assert replayed[1][0] == "Replay" and ("e", "next error") in replayed[1][1]


def test_actions_are_those_of_the_open_view_and_of_the_screen() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    app.view = 2
    told = [(action.where, action.text, action.target) for action in app.actions()]
    assert ("Inject: ", "inject the fault", app.inject_view.faults) in told
    assert ("", "count from here", app) in told
    assert len(told) == len([*bindings_of(type(app.inject_view.faults).BINDINGS), *bindings_of(app.BINDINGS)])
