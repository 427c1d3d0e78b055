"""The views of one link side by side, of which one is open."""

from __future__ import annotations

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.link_panel import LINK_VIEWS, LinkPanel
from tests.support.screen_fakes import FakeSource
from tests.support.screens import FAULTS


async def test_one_view_is_open() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False, faults=FAULTS)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        panel = app.panel
        assert [view.NAME for view in panel.views] == [name for name, _ in LINK_VIEWS]
        for index, view in enumerate(panel.views):
            panel.show(index)
            assert [each.display for each in panel.views] == [each is view for each in panel.views]


def test_reading_takes_in_events_of_every_view() -> None:
    pipeline = Pipeline(FakeSource())
    panel = LinkPanel(
        FrayApp(pipeline, live=False).look, pipeline, lambda resets: None, faults=FAULTS, opened=False
    )
    assert panel.option == "2" and not panel.opened
    for _ in range(6):
        pipeline.step()
    panel.read()
    assert panel.feed.snapshot.hyperframes == 120 and panel.events_view.list.rows
