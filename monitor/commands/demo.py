"""`framefray demo`: REC-A and RE-1 of the Saltmarsh site, or its whole chain, emulated, on the screen."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

from ..emulation.chain_source import chain_sources
from ..links.pipeline import Pipeline
from ..opening import SourceRequest, link_settings, open_chain, open_source
from ..process.interrupts import Interrupts
from ..process.streams import print_lines, tell
from ..site.chain_plan import chain_source_word, plan_of_chain
from ..site.site import Site
from ..site.worker_start import WorkerKind
from ..sources.names import CHAIN
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise
from .site_watch import show_site, watch_site

DEMO_LOAD = 0.2
"""Share of the C&M channels that is used: frames enough to watch, few enough to read."""
CHAIN_PACE = 100.0
"""Hyperframes a second of the whole chain, which one processor emulates and decodes at six points."""
CHAIN_FAULTS = (
    "vendor.value@40:segment=RE-1>RE-2",
    "hdlc.fcs@40:segment=RE-3>RE-2",
    "line.dark@120:hyperframes=5,segment=REC-A>RE-1",
)
DEMO_FAULTS = ("hdlc.fcs", "ethernet.fcs", "vendor.value", "sync.hfn")


def run(arguments: argparse.Namespace) -> int:
    if arguments.chain:
        return _run_chain(arguments)
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


def _run_chain(arguments: argparse.Namespace) -> int:
    """The chain REC-A to RE-3 as a site; its points share one chain, so a fault of one is seen at the others."""
    headless = arguments.headless or not (sys.stdin.isatty() and sys.stdout.isatty())
    limit = arguments.hyperframes or (HEADLESS_HYPERFRAMES if headless else None)
    pace = min(arguments.pace or CHAIN_PACE, CHAIN_PACE)
    request = SourceRequest.of(arguments, source=CHAIN, load=DEMO_LOAD, pace=pace, hyperframes=limit)
    chain = open_chain(request)
    if not headless:
        return watch_site(plan_of_chain(chain), request, arguments)
    for text in CHAIN_FAULTS:
        fault = chain.inject(text)
        seen = [point.name for point, expected in fault.expectations.items() if not expected.benign]
        print_lines(
            [f"injected: {fault.text} at hyperframe {fault.hyperframe}; expected at {', '.join(seen)}"]
        )
    # Decoded here, for the faults are in this chain already.
    opened = {chain_source_word(point): source for point, source in chain_sources(chain, limit=limit).items()}
    return show_site(
        Site(plan_of_chain(chain), replace(request, opened=opened), kind=WorkerKind.THREAD), arguments
    )
