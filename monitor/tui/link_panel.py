"""The views of one link, of which one is open; all of them look through one feed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.app import ComposeResult
from textual.containers import Container
from textual.widgets import ContentSwitcher

from decoders.linerates import option_named

from .delay_view import DelayView
from .event_list import EventsView
from .fault_list import FaultChoice, faults_for
from .feed import Feed, WatchedLink
from .inject_view import InjectView
from .link_view import LinkView
from .palette import Look
from .reset_run import Resets
from .view import ScreenView

__all__ = ["LINK_VIEWS", "LinkPanel"]

LINK_VIEWS = tuple((view.NAME, view.QUESTION) for view in (LinkView, EventsView, InjectView, DelayView))
"""Names and questions of the views, in the order of their digits."""


class LinkPanel(Container):
    """`faults` None offers those of the link's option; `run_resets` gives a run of resets a thread.

    `opened` says whether the source was open, and so known, when the views were made.
    """

    def __init__(
        self,
        look: Look,
        link: WatchedLink,
        run_resets: Callable[[Resets], None],
        *,
        iq_map: str | None = None,
        faults: Sequence[FaultChoice] | None = None,
        opened: bool = True,
        id: str | None = None,
    ) -> None:
        super().__init__(id=id)
        self.feed = feed = Feed(link)
        self.option, self.opened = link.source.option, opened
        if faults is None:
            faults = faults_for(option_named(self.option))
        self.link_view = LinkView(look, feed, iq_map)
        self.events_view = EventsView(look, feed)
        self.inject_view = InjectView(look, feed, link, faults)
        self.delay_view = DelayView(look, feed, link.source, run_resets)
        self._switcher = ContentSwitcher(*self.views, initial=self.link_view.id)

    @property
    def views(self) -> tuple[ScreenView, ...]:
        """In the order of their digits."""
        return self.link_view, self.events_view, self.inject_view, self.delay_view

    def compose(self) -> ComposeResult:
        yield self._switcher

    def show(self, index: int) -> None:
        """Open a view."""
        self._switcher.current = self.views[index].id

    def read(self) -> None:
        """Look at the link, once a tick."""
        if self.feed.read():
            for view in self.views:
                view.forget()
        for view in self.views:
            view.read_events()
