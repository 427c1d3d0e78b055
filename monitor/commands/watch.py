"""`framefray watch`: the screen on a source, on several or on a site, or a summary where there is no terminal."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

from ..links.pipeline import Pipeline
from ..opening import SourceRequest, link_settings, open_source
from ..process.interrupts import Interrupts
from ..process.streams import tell
from ..sources.names import named_source
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise_read
from .site_watch import plan_of_words, watch_site


def run(arguments: argparse.Namespace) -> int:
    words = arguments.source
    if (plan := plan_of_words(words)) is not None:
        return watch_site(plan, SourceRequest.of(arguments, source=""), arguments)
    name, arguments.source = named_source(words[0])
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if not terminal and not arguments.headless:
        tell("no terminal, so no screen; a text summary follows")
    headless = arguments.headless or not terminal
    request = SourceRequest.of(arguments)
    if headless and request.hyperframes is None and request.is_emulated:
        request = replace(request, hyperframes=HEADLESS_HYPERFRAMES)
    source = open_source(request)
    iq_map = iq_map_text(arguments.iq, source.option, emulated=request.is_emulated)
    settings = link_settings(request, source)
    if headless:
        with Interrupts() as interrupts:
            return summarise_read(source, settings, interrupts)
    pipeline = Pipeline(source, settings)
    from ..tui.app import run_screen

    return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map, title=name or "")
