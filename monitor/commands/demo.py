"""`framefray demo`: REC-A and RE-1 of the Saltmarsh site, or its chain of four nodes, emulated, on the screen."""

from __future__ import annotations

import argparse
import sys

from ..links.pipeline import Pipeline
from ..opening import SourceRequest, link_settings, open_source
from ..process.interrupts import Interrupts
from ..process.streams import print_lines, tell
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise
from .site_watch import chain_site_plan, watch_site

DEMO_LOAD = 0.2
"""Share of the C&M channels that is used: frames enough to watch, few enough to read."""
DEMO_FAULTS = ("hdlc.fcs", "ethernet.fcs", "vendor.value", "sync.hfn")


def run(arguments: argparse.Namespace) -> int:
    if arguments.chain:
        return watch_site(
            chain_site_plan(arguments.option), SourceRequest.of(arguments, source=""), arguments
        )
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    headless = arguments.headless or not terminal
    limit = arguments.hyperframes or (HEADLESS_HYPERFRAMES if headless else None)
    request = SourceRequest.of(
        arguments, source="emulated:pair", hyperframes=limit, every_plane=True, load=DEMO_LOAD
    )
    source = open_source(request)
    iq_map = iq_map_text(arguments.iq, source.option, emulated=True)
    pipeline = Pipeline(source, link_settings(request, source))
    if not headless:
        from ..tui.app import run_screen

        return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map)
    if not terminal:
        tell("no terminal, so no screen; a text summary follows")
    with Interrupts() as interrupts:
        pipeline.step()
        for text in DEMO_FAULTS:
            fault = pipeline.inject(text)
            expected = ", ".join(f"{name} +{count}" for name, count in fault.expected.items())
            print_lines(
                [f"injected: {fault.text} at hyperframe {fault.hyperframe} or later; expected {expected}"]
            )
        return summarise(pipeline, interrupts)
