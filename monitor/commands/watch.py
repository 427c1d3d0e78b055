"""`framefray watch`: a source, several or a site on the screen, in lines of text, in a browser, or as a summary."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

from ..errors import InputError
from ..links.pipeline import Pipeline
from ..opening import SourceRequest, link_settings, open_source
from ..process.interrupts import Interrupts
from ..process.streams import tell
from ..sources.names import SourceKind, named_source, source_kind
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise, summarise_read
from .outputs import SourceWatch, metrics_served
from .plain import PlainSettings, watch_plain
from .site_watch import plan_of_one, plan_of_words, watch_site


def run(arguments: argparse.Namespace) -> int:
    words = arguments.source
    if arguments.web_control and arguments.web is None:
        raise InputError("--web-control is for --web")
    site_request = SourceRequest.of(arguments, source="")
    plan = plan_of_words(words, site_request)
    name, arguments.source = named_source(words[0])
    if plan is None and arguments.web is not None:
        plan = plan_of_one(name, arguments.source)
    if plan is not None:
        return watch_site(plan, site_request, arguments)
    return _watch_one(name, arguments)


def _watch_one(name: str | None, arguments: argparse.Namespace) -> int:
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if not terminal and not arguments.headless and not arguments.plain:
        tell("no terminal, so no screen; a text summary follows (--plain prints lines as they come)")
    headless = not arguments.plain and (arguments.headless or not terminal)
    request = SourceRequest.of(arguments)
    if headless and request.hyperframes is None and request.is_emulated:
        request = replace(request, hyperframes=HEADLESS_HYPERFRAMES)
    source = open_source(request)
    iq_map = iq_map_text(arguments.iq, source.option, emulated=request.is_emulated)
    settings = link_settings(request, source)
    if headless and arguments.metrics is None:
        with Interrupts() as interrupts:
            return summarise_read(source, settings, interrupts)
    pipeline = Pipeline(source, settings)
    watch = SourceWatch(name or request.source, pipeline)
    with metrics_served(arguments, lambda: [watch.link()]):
        if arguments.plain:
            live = source_kind(request.source) is not SourceKind.CAPTURE or not Path(request.source).is_file()
            with Interrupts() as interrupts:
                return watch_plain(watch, PlainSettings.of(arguments), interrupts, live=live, name=name or "")
        if headless:
            with Interrupts() as interrupts:
                return summarise(pipeline, interrupts)
        from ..tui.app import run_screen

        return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map, title=name or "")
