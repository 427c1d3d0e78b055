"""A site watched: its screen, or a summary of every link where there is no terminal."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence

from ..errors import InputError
from ..opening import SourceRequest
from ..process.interrupts import Interrupts
from ..process.streams import print_lines, tell
from ..reports.site_text import SiteLine, site_text_lines
from ..site.plan import PlannedBoard, SitePlan, is_site_file, plan_of_sources, read_site_plan
from ..site.site import LinkState, Site
from ..sources.names import named_source
from ..sources.patience import SILENCE_LIMIT_S
from ..tui.plain_lines import PlainLines
from .outputs import SiteLinkWatch, metrics_served
from .plain import PlainSettings, PlainTeller

__all__ = ["plan_of_one", "plan_of_words", "watch_site"]

_LOOK_S = 0.2


def plan_of_words(words: list[str]) -> SitePlan | None:
    """The site that the words of a command line name: a site file, or several sources; None for one source.

    InputError for a site file beside other sources.
    """
    files = [word for word in words if is_site_file(word)]
    if files and len(words) > 1:
        raise InputError(f"{files[0]}: a site file stands alone", hint="write the other sources into it")
    if files:
        return read_site_plan(files[0])
    return plan_of_sources([named_source(word) for word in words]) if len(words) > 1 else None


def plan_of_one(name: str | None, source: str) -> SitePlan:
    """A site of one source, for pages in a browser: each source is then read in a process of its own."""
    if source == "-":
        raise InputError("--web: standard input cannot be watched in a browser", hint="record it first")
    return SitePlan(name or source, (PlannedBoard(name or source, source, {}),))


def watch_site(plan: SitePlan, request: SourceRequest, arguments: argparse.Namespace) -> int:
    """The screen of a site, or its summary at the end; the exit status."""
    if request.vcd is not None:
        raise InputError("--vcd is for one source")
    site = Site(plan, request)
    watched = [SiteLinkWatch(each) for each in site.links]
    with metrics_served(arguments, lambda: [each.link() for each in watched]):
        if arguments.web is not None:
            from .web import web_served

            with Interrupts() as interrupts, site, web_served(arguments, site, request):
                return _follow(site, watched, arguments, interrupts)
        terminal = sys.stdin.isatty() and sys.stdout.isatty()
        if terminal and not arguments.headless and not arguments.plain:
            from ..tui.site_app import run_site_screen

            return run_site_screen(site, fps=arguments.fps, iq_map=arguments.iq)
        if not arguments.headless and not arguments.plain:
            tell("no terminal, so no screen; a text summary follows (--plain prints lines as they come)")
        with Interrupts() as interrupts, site:
            return _follow(site, watched, arguments, interrupts)


def _follow(
    site: Site, watched: Sequence[SiteLinkWatch], arguments: argparse.Namespace, interrupts: Interrupts
) -> int:
    """Watch until every link has ended or stays silent, or to a signal; then print what each one held.

    With --plain silence is no end, with --web nothing but a signal.
    """
    plain = PlainSettings.of(arguments)
    teller = PlainTeller(
        [
            (each, PlainLines(link.name, plain.limit(live=True), traffic=plain.traffic))
            for each, link in zip(watched, site.links, strict=True)
        ],
        plain.every_s,
    )
    if arguments.plain:
        teller.follow(interrupts)
    try:
        while not interrupts.seen and (
            arguments.web or not (arguments.plain or all(_settled(site, n) for n in range(len(site.links))))
        ):
            time.sleep(_LOOK_S)
    except KeyboardInterrupt:
        if interrupts.insisted:
            raise
    if arguments.plain:
        with interrupts.held():
            teller.tell(status=True)
    return _summarise(site, interrupts)


def _summarise(site: Site, interrupts: Interrupts) -> int:
    """Print what each link held; the exit status."""
    with interrupts.held():
        lines = [
            SiteLine(link.name, str(link.state), link.why, link.snapshot, link.known, link.errors_by_plane)
            for link in site.links
        ]
        print_lines(site_text_lines(site.name, lines))
        sys.stdout.flush()
        if interrupts.seen:
            tell("interrupted; the result covers what was read")
            return 130
        dark = [line.name for line in lines if not line.known]
        if dark:
            tell(f"no hyperframe sync found: {', '.join(dark)}")
        return 2 if dark else 0


def _settled(site: Site, number: int) -> bool:
    """Whether nothing more is to be expected of a link."""
    link = site.links[number]
    if link.state in (LinkState.ENDED, LinkState.FAILED) and not link.link.restarting:
        return True
    return (link.silent_s or 0.0) > SILENCE_LIMIT_S
