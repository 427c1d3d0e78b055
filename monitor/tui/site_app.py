"""The screen of a site: all links in one view, and the four views of each of them behind it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import ContentSwitcher

from decoders.linerates import option_named

from ..emulation.sender import iq_map_sent
from ..site.site import Site, SiteLink
from .fault_list import FaultChoice
from .link_panel import LINK_VIEWS, LinkPanel
from .site_view import SitePane, SiteView, site_lines
from .view import ScreenView
from .views_app import EVERYWHERE_KEYS, ViewsApp, view_keys

__all__ = ["SITE_VIEWS", "SiteApp", "run_site_screen"]

SITE_VIEWS = (*LINK_VIEWS, (SiteView.NAME, SiteView.QUESTION))
_SITE = len(LINK_VIEWS)
"""Index of the site's own view."""


class SiteApp(ViewsApp, inherit_bindings=False):
    """The screen over a site, which it starts and ends unless `live` is False."""

    NAMES = SITE_VIEWS
    FIRST = _SITE
    BINDINGS: ClassVar[list[BindingType]] = [
        *view_keys(SITE_VIEWS),
        Binding("escape", f"view({_SITE})", "back to the site", id="all.site"),
        *EVERYWHERE_KEYS,
    ]

    def __init__(
        self,
        site: Site,
        *,
        fps: float | None = None,
        iq_map: str | None = None,
        faults: Sequence[FaultChoice] | None = None,
        colour: bool | None = None,
        live: bool = True,
    ) -> None:
        super().__init__(fps=fps, title=site.name, colour=colour, live=live)
        self.site = site
        self._iq_map, self._faults = iq_map, faults
        self._made = 0
        self.panels: dict[str, LinkPanel] = {}
        self.site_view = SiteView(self.look, site)
        self._links = ContentSwitcher(self.site_view, initial=self.site_view.id, id="links")
        self.panel = self._panel_of(site.links[0])

    @property
    def views(self) -> tuple[ScreenView, ...]:
        return (*self.panel.views, self.site_view)

    @property
    def body(self) -> ContentSwitcher:
        return self._links

    def start_reading(self) -> None:
        self.site.start()

    # --- the open link ------------------------------------------------------------------------------------

    @property
    def link(self) -> SiteLink:
        """The link whose views are open, or were last."""
        return next(link for link in self.site.links if link.link is self.panel.feed.link)

    def _panel_of(self, link: SiteLink) -> LinkPanel:
        """The views of a link, made when they are first opened, and anew once it is known what the source is."""
        panel = self.panels.get(link.name)
        if panel is None or (panel.option, panel.opened) != (link.snapshot.option, link.link.opened):
            if panel is not None:
                panel.remove()
            self._made += 1
            panel = LinkPanel(
                self.look,
                link.link,
                self.run_resets,
                iq_map=self._iq_map or _iq_map_of(link),
                faults=self._faults,
                opened=link.link.opened,
                id=f"link-{self._made}",
            )
            self.panels[link.name] = panel
        return panel

    async def open_link(self, link: SiteLink, view: int = 0) -> None:
        """Show the views of a link."""
        panel = self._panel_of(link)
        if not panel.is_attached:
            panel.display = False
            await self._links.mount(panel)
        self.panel = panel
        for each in self.site.links:
            each.link.whole = each is link
        super().action_view(view)

    async def on_site_pane_opened(self, message: SitePane.Opened) -> None:
        if message.link is None:
            self._say("nothing is watched there")
        else:
            await self.open_link(message.link)

    def action_view(self, index: int) -> None:
        chosen = self.site_view.pane.chosen if self.view == _SITE else self.link
        if index == _SITE:
            super().action_view(index)
        elif chosen is None:
            self._say("nothing is watched there")
        else:
            self.call_later(self.open_link, chosen, index)

    def _show_view(self) -> None:
        if self.view == _SITE:
            self._links.current = self.site_view.id
        else:
            self.panel.show(self.view)
            self._links.current = self.panel.id

    def _read(self) -> None:
        for panel in self.panels.values():
            panel.read()

    # --- drawing and keys ---------------------------------------------------------------------------------

    def _draw_status(self) -> None:
        if self.view != _SITE:
            self._title_text = self.link.name
            super()._draw_status()
            return
        state = "PAUSED" if self.paused else ""
        lines = site_lines(self.site, self.look, self.size.width)
        self.status.update_site(lines, chosen=_SITE, state=state, note=self._note_now, title=self.site.name)

    def _draw_failure(self) -> None:
        if self.view == _SITE:
            self.failure.update(None)
        else:
            super()._draw_failure()

    def action_mark(self) -> None:
        if self.view != _SITE:
            super().action_mark()
            return
        self.site.mark()
        self._say("mark: every link counts from here")
        self._draw(fresh=True)


def _iq_map_of(link: SiteLink) -> str | None:
    """What an emulated link sends; None where that is not known."""
    if link.link.report.emulated is None:
        return None
    return iq_map_sent(option_named(link.snapshot.option))


def run_site_screen(
    site: Site,
    *,
    fps: float | None = None,
    iq_map: str | None = None,
    colour: bool | None = None,
    mouse: bool = True,
) -> int:
    """Show a site until the user leaves; the exit status: 0, or 130 after an interrupt. Ends every decoder."""
    with site:
        app = SiteApp(site, fps=fps, iq_map=iq_map, colour=colour)
        status = app.run(mouse=mouse)
    return app.return_code or 1 if status is None else status
