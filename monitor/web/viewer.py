"""The process of one page: the screen of a site whose decoders run elsewhere, drawn for a browser.

textual-serve starts it as `python -m monitor.web.viewer`, tells Textual by the environment to draw into packets, and
ends it with its page. It ends by itself when the site does.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
from typing import Any

from ..site.link_worker import LinkSpec
from ..site.site import Site
from ..site.worker_start import Worker, WorkerKind
from ..tui.event_file import event_text
from ..tui.site_app import SiteApp
from .link_hub import PageFacts, connection_to_hub

__all__ = ["PageApp", "connected_worker", "main"]

_ENDING_S = 3.0


class _Elsewhere:
    """In the place of a process that this one has started."""

    def start(self) -> None: ...

    def join(self, timeout: float | None = None) -> None: ...

    def is_alive(self) -> bool:
        return False


def connected_worker(spec: LinkSpec) -> Worker:
    """A link of the site that runs already; ends this thread where there is none any more."""
    try:
        return Worker(WorkerKind.THREAD, _Elsewhere(), connection_to_hub(spec.name))
    except (OSError, EOFError):
        raise SystemExit from None


class PageApp(SiteApp):
    """The screen of a site as a page: of one link alone its views, and nothing is written on this machine."""

    def on_mount(self) -> None:  # beside that of the screen, which Textual calls, too
        if len(self.site.links) == 1:
            self.action_view(0)

    def action_save_event(self) -> None:
        """To the viewer's machine, as a download."""
        entry = self._event
        if entry is not None:
            self.deliver_text(io.StringIO(event_text(entry)), save_filename=f"event{entry.number}.txt")
            self._tell(f"event{entry.number}.txt is sent to the browser")


def _end_with(connection: Any, app: PageApp) -> None:
    """Leave when the site has ended."""
    with contextlib.suppress(EOFError, OSError):
        connection.recv()
    with contextlib.suppress(Exception):
        app.call_from_thread(app.exit, 0)
    threading.Event().wait(_ENDING_S)
    os._exit(0)


def main() -> int:
    """Show the page until it is closed or the site ends; the exit status."""
    try:
        connection = connection_to_hub("")
        facts: PageFacts = connection.recv()
    except (KeyError, OSError, EOFError):
        return 2
    site = Site(facts.plan, facts.request, rate=facts.fps or 10.0, start=connected_worker)
    app = PageApp(site, fps=facts.fps, iq_map=facts.iq_map)
    threading.Thread(target=_end_with, args=(connection, app), daemon=True).start()
    try:
        app.run()
    finally:
        site.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
