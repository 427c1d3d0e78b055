"""The process of one page: the screen of a site whose decoders run elsewhere, drawn for a browser.

textual-serve starts it as `python -m monitor.web.viewer`, tells Textual by the environment to draw into packets, and
ends it with its page. It ends by itself when the site does.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Sequence
from typing import Any

from ..site.link_worker import LinkSpec
from ..site.site import Site, SiteLink
from ..site.worker_start import Worker, WorkerKind
from ..tui.site_app import SiteApp
from .link_hub import PageFacts, connection_to_hub

__all__ = ["HubWorkers", "PageApp", "show_page"]

_ENDING_S = 3.0
_LOOK_S = 0.5
_OPEN_S = 0.05


class _Elsewhere:
    """In the place of a process that this one has started."""

    def start(self) -> None: ...

    def join(self, timeout: float | None = None) -> None: ...

    def is_alive(self) -> bool:
        return False


class HubWorkers:
    """Gives the links of the site that runs already; SystemExit, which ends a thread, where there is none."""

    def start(self, spec: LinkSpec) -> Worker:
        try:
            return Worker(WorkerKind.THREAD, _Elsewhere(), connection_to_hub(spec.name))
        except (KeyError, OSError, EOFError):
            raise SystemExit from None


class PageApp(SiteApp):
    """The screen of a site as a page: of one link alone its views, and nothing is written on this machine."""

    def on_mount(self) -> None:  # beside that of the screen, which Textual calls, too
        if len(self.site.links) == 1:
            self._opening = self.set_interval(_OPEN_S, self._open_when_known)

    def _open_when_known(self) -> None:
        """Views are made for the option of the source, so that must be known first."""
        if self.site.links[0].link.opened:
            self._opening.stop()
            self.action_view(0)

    def action_save_event(self) -> None:
        """Refused: the file would be written where framefray runs, and not where it is read."""
        self._tell("a page writes no files; y copies the event")


class _Findings:
    """What all links together tell, asked for again and again; the end of the site is the end of the page."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection
        self._last: tuple[str, ...] = ()

    def __call__(self, links: Sequence[SiteLink]) -> Sequence[str]:
        return self._last

    def follow(self, app: PageApp) -> None:
        """Until the site has ended; then leave."""
        with contextlib.suppress(EOFError, OSError):
            while True:
                self._connection.send(None)
                self._last = self._connection.recv()
                time.sleep(_LOOK_S)
        with contextlib.suppress(Exception):
            app.call_from_thread(app.exit, 0)
        time.sleep(_ENDING_S)
        os._exit(0)


def show_page() -> int:
    """Show the page until it is closed or the site ends; the exit status."""
    try:
        connection = connection_to_hub("")
        facts: PageFacts = connection.recv()
    except (KeyError, OSError, EOFError):
        return 2
    findings = _Findings(connection)
    rate = facts.fps or 10.0
    site = Site(facts.plan, facts.request, rate=rate, findings=findings, running=HubWorkers())
    app = PageApp(site, fps=facts.fps, iq_map=facts.iq_map)
    threading.Thread(target=findings.follow, args=(app,), daemon=True).start()
    try:
        app.run()
    finally:
        site.close()
    return 0


if __name__ == "__main__":
    sys.exit(show_page())
