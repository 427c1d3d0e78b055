"""`framefray watch`: the screen on a source, on several or on a site; lines of text, or a summary, without one."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

from ..links.pipeline import Pipeline
from ..opening import SourceRequest, link_settings, open_source
from ..process.interrupts import Interrupts
from ..process.streams import tell
from ..sources.names import SourceKind, named_source, source_kind
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise, summarise_read
from .outputs import SourceWatch, metrics_served
from .plain import PlainSettings, watch_plain
from .site_watch import plan_of_words, watch_site


def run(arguments: argparse.Namespace) -> int:
    words = arguments.source
    if (plan := plan_of_words(words)) is not None:
        return watch_site(plan, SourceRequest.of(arguments, source=""), arguments)
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    plain = PlainSettings(arguments.every, arguments.event_rate, not arguments.no_traffic)
    if not terminal and not arguments.headless and not arguments.plain:
        tell("no terminal, so no screen; a text summary follows (--plain prints lines as they come)")
    headless = not arguments.plain and (arguments.headless or not terminal)
    name, source_word = named_source(words[0])
    request = SourceRequest.of(arguments, source=source_word)
    if headless and request.hyperframes is None and request.is_emulated:
        request = replace(request, hyperframes=HEADLESS_HYPERFRAMES)
    source = open_source(request)
    iq_map = iq_map_text(arguments.iq, source.option, emulated=request.is_emulated)
    settings = link_settings(request, source)
    if headless and arguments.metrics is None:
        with Interrupts() as interrupts:
            return summarise_read(source, settings, interrupts)
    pipeline = Pipeline(source, settings)
    watch = SourceWatch(name or source_word, pipeline)
    with metrics_served(arguments, lambda: [watch.link()]):
        if arguments.plain:
            live = source_kind(source_word) is not SourceKind.CAPTURE or not Path(source_word).is_file()
            with Interrupts() as interrupts:
                return watch_plain(watch, plain, interrupts, live=live, name=name or "")
        if headless:
            with Interrupts() as interrupts:
                return summarise(pipeline, interrupts)
        from ..tui.app import run_screen

        return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map, title=name or "")
