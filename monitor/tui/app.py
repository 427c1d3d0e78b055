"""The screen of one link: its views over one pipeline that runs in a worker thread; the screen only looks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import BindingType

from ..links.pipeline import Pipeline
from .delay_view import DelayView
from .event_list import EventsView
from .fault_list import FaultChoice
from .feed import Feed
from .inject_view import InjectView
from .link_panel import LINK_VIEWS, LinkPanel
from .link_view import LinkView
from .replay_bar import Replayed
from .views_app import EVERYWHERE_KEYS, ViewsApp, refreshes_per_second, view_keys

__all__ = ["VIEWS", "FrayApp", "refreshes_per_second", "run_screen"]

VIEWS = LINK_VIEWS


class FrayApp(ViewsApp, inherit_bindings=False):
    """The screen over one pipeline, which it runs unless `live` is False."""

    BINDINGS: ClassVar[list[BindingType]] = [*view_keys(VIEWS), *EVERYWHERE_KEYS]

    def __init__(
        self,
        pipeline: Pipeline,
        *,
        fps: float | None = None,
        title: str = "",
        iq_map: str | None = None,
        faults: Sequence[FaultChoice] | None = None,
        colour: bool | None = None,
        live: bool = True,
        replay: Replayed | None = None,
    ) -> None:
        super().__init__(fps=fps, title=title, colour=colour, live=live, replay=replay)
        self.pipeline = pipeline
        self.panel = LinkPanel(self.look, pipeline, self.run_resets, iq_map=iq_map, faults=faults)

    @property
    def feed(self) -> Feed:
        return self.panel.feed

    @property
    def link_view(self) -> LinkView:
        return self.panel.link_view

    @property
    def events_view(self) -> EventsView:
        return self.panel.events_view

    @property
    def inject_view(self) -> InjectView:
        return self.panel.inject_view

    @property
    def delay_view(self) -> DelayView:
        return self.panel.delay_view

    def start_reading(self) -> None:
        self.run_worker(lambda: self.pipeline.run(self._stop), thread=True, exit_on_error=False)


def run_screen(
    pipeline: Pipeline,
    *,
    fps: float | None = None,
    title: str = "",
    iq_map: str | None = None,
    faults: Sequence[FaultChoice] | None = None,
    colour: bool | None = None,
    mouse: bool = True,
    replay: Replayed | None = None,
) -> int:
    """Show `pipeline` until the user leaves; the exit status: 0, or 130 after an interrupt.

    `fps` refreshes per second (10; 4 over a remote shell). `iq_map` as for decoders.iq.IqMap.parse; without it
    M = 15 at 3.84 MHz is assumed. `colour` None looks at NO_COLOR. `replay` is the control of a replay.
    """
    app = FrayApp(pipeline, fps=fps, title=title, iq_map=iq_map, faults=faults, colour=colour, replay=replay)
    status = app.run(mouse=mouse)
    return app.return_code or 1 if status is None else status
