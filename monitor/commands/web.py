"""`framefray watch --web`: the links of a site in a browser, a page for each viewer, each source opened once."""

from __future__ import annotations

import argparse
import os
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from ..emulation.host_port import address_of
from ..process.streams import tell
from ..site.site import Site
from ..sources.names import is_emulated
from ..text import inert
from ..web.link_hub import LinkHub, PageFacts
from ..web.page_server import PageServer
from .headless import iq_map_text

__all__ = ["page_command", "web_served"]

_RISK = "anybody may look at the link there, and command boards with --web-control"
_CONTROL = (
    "whoever opens this page can make boards transmit damaged data and reset: make sure that this is allowed"
)


@contextmanager
def web_served(arguments: argparse.Namespace, site: Site) -> Iterator[None]:
    """Pages on a running site at `--web HOST:PORT` meanwhile."""
    address = address_of(arguments.web, arguments.listen_any, risk=_RISK)
    facts = PageFacts(site.plan, site.request, site.name, _iq_map(arguments, site), arguments.fps)
    server = PageServer(address, page_command(), f"framefray {inert(site.name)}")
    links = [each.link for each in site.links]
    hub = LinkHub(links, facts, control=arguments.web_control, findings=lambda: site.findings)
    hub.start()
    try:
        server.start()
        tell(f"the screen is at {server.url}")
        if sys.stderr.isatty():
            tell("Ctrl-C ends it, and prints a summary")
        if arguments.web_control:
            tell(_CONTROL)
        yield
    finally:
        server.close()
        hub.close()


def _iq_map(arguments: argparse.Namespace, site: Site) -> str | None:
    """The IQ map of every link, where it is given, or where all are emulated at one option; else None."""
    options = {each.snapshot.option for each in site.links}
    emulated = len(options) == 1 and all(is_emulated(each.point.source) for each in site.links)
    return iq_map_text(arguments.iq, options.pop(), emulated=emulated)


def page_command() -> str:
    """The shell command of a page; what it has to say is nobody's to read."""
    words = [sys.executable, "-m", "monitor.web.viewer"]
    if os.name == "nt":
        return f"{subprocess.list2cmdline(words)} 2>NUL"
    return f"exec {shlex.join(words)} 2>/dev/null"
