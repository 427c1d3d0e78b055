"""A site watched: its screen, or a summary of every link where there is no terminal."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import replace

from ..errors import InputError
from ..links.named_link import NamedLink
from ..links.snapshot import LogEntry
from ..opening import SourceRequest, open_chain
from ..process.interrupts import Interrupts
from ..process.streams import print_lines, tell
from ..reports.site_text import SiteLine, site_text_lines
from ..site.chain_plan import plan_of_chain
from ..site.plan import PlannedBoard, SitePlan, is_site_file, plan_of_sources, read_site_plan
from ..site.site import LinkState, Site, SiteLink
from ..sources.names import CHAIN, is_emulated, named_source
from ..sources.patience import SILENCE_LIMIT_S
from ..tui.plain_lines import PlainLines
from .headless import HEADLESS_HYPERFRAMES
from .outputs import metrics_served
from .plain import PlainSettings, PlainTeller

__all__ = ["plan_of_one", "plan_of_words", "show_site", "watch_site"]

_LOOK_S = 0.2


def plan_of_words(words: list[str], request: SourceRequest) -> SitePlan | None:
    """The site that the words of a command line name: a file, several sources, the chain; None for one source.

    InputError for a site file beside other sources.
    """
    files = [word for word in words if is_site_file(word)]
    if files and len(words) > 1:
        raise InputError(f"{files[0]}: a site file stands alone", hint="write the other sources into it")
    if files:
        return read_site_plan(files[0])
    if words == [CHAIN]:
        return plan_of_chain(open_chain(request))
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
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    summary = (
        (arguments.headless or not terminal)
        and not arguments.plain
        and getattr(arguments, "web", None) is None
    )
    endless = request.hyperframes is None and all(is_emulated(point.source) for point in plan.points)
    if summary and endless:
        request = replace(request, hyperframes=HEADLESS_HYPERFRAMES)
    return show_site(Site(plan, request), arguments)


def show_site(site: Site, arguments: argparse.Namespace) -> int:
    """The screen of a site, or its summary at the end; the exit status."""
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    with metrics_served(arguments, lambda: [link.named() for link in site.links]):
        if getattr(arguments, "web", None) is not None:
            from .web import web_served

            with Interrupts() as interrupts, site, web_served(arguments, site):
                if arguments.plain:
                    _tell_lines(site, arguments, interrupts)
                _wait(site, interrupts, for_ever=True)
                return _summarise(site, interrupts)
        if terminal and not (arguments.headless or arguments.plain):
            from ..tui.site_app import run_site_screen

            return run_site_screen(site, fps=arguments.fps, iq_map=arguments.iq)
        if not (arguments.headless or arguments.plain):
            tell("no terminal, so no screen; a text summary follows (--plain prints lines as they come)")
        with Interrupts() as interrupts, site:
            if arguments.plain:
                _tell_lines(site, arguments, interrupts)
            else:
                _wait(site, interrupts)
            return _summarise(site, interrupts)


class _ObservedSiteLink:
    """A link of a site as lines are made of it."""

    def __init__(self, link: SiteLink) -> None:
        self._link = link

    def link(self) -> NamedLink:
        return self._link.named()

    def entries_since(self, number: int) -> list[LogEntry]:
        return self._link.entries_since(number)


class _SiteTeller(PlainTeller):
    """Tells what all links together say, too: each finding once."""

    def __init__(
        self, site: Site, sources: Sequence[tuple[_ObservedSiteLink, PlainLines]], every_s: float
    ) -> None:
        super().__init__(sources, every_s)
        self._site = site
        self._told: dict[str, None] = {}

    def tell(self, *, status: bool = False) -> bool:
        more = super().tell(status=status)
        now = dict.fromkeys(self._site.findings)
        print_lines(f"{self._site.name} {text}" for text in reversed([*now]) if text not in self._told)
        self._told = now
        return more


def _tell_lines(site: Site, arguments: argparse.Namespace, interrupts: Interrupts) -> None:
    """A line for each event of every link, until all have ended or a signal comes."""
    settings = PlainSettings.of(arguments)
    rate = settings.limit(live=True)
    sources = [
        (_ObservedSiteLink(link), PlainLines(link.name, rate, traffic=settings.traffic))
        for link in site.links
    ]
    teller = _SiteTeller(site, sources, settings.every_s)
    teller.follow(interrupts)
    with interrupts.held():
        teller.tell(status=True)


def _wait(site: Site, interrupts: Interrupts, *, for_ever: bool = False) -> None:
    """Until every link has ended or stays silent, or to a signal; `for_ever`: to a signal alone."""
    try:
        while not interrupts.seen and (
            for_ever or not all(_settled(site, number) for number in range(len(site.links)))
        ):
            time.sleep(_LOOK_S)
    except KeyboardInterrupt:
        if interrupts.insisted:
            raise


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
