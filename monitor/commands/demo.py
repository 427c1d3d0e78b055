"""`framefray demo`: REC-A and RE-1 of the Saltmarsh site, emulated, on the screen."""

from __future__ import annotations

import argparse
import sys

from ..links.pipeline import Pipeline
from ..opening import link_settings, open_source
from ..process.interrupts import Interrupts
from .headless import HEADLESS_HYPERFRAMES, iq_map_text, summarise

DEMO_FAULTS = ("hdlc.fcs", "ethernet.fcs", "vendor.value", "sync.hfn")


def run(arguments: argparse.Namespace) -> int:
    arguments.source = "emulated:pair"
    arguments.form = arguments.pointer = arguments.hdlc_rate = None
    arguments.every_plane = True
    arguments.hdlc_msb_first = arguments.ethernet_msb_first = False
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    headless = arguments.headless or not terminal
    if headless and arguments.hyperframes is None:
        arguments.hyperframes = HEADLESS_HYPERFRAMES
    source = open_source(arguments)
    iq_map = iq_map_text(arguments, source.option)
    pipeline = Pipeline(source, link_settings(arguments, source))
    if not headless:
        from ..tui.app import run_screen

        return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map)
    if not terminal:
        print("framefray: no terminal here, so no screen: a text summary instead", file=sys.stderr)
    with Interrupts() as interrupts:
        pipeline.step()
        for text in DEMO_FAULTS:
            fault = pipeline.inject(text)
            expected = ", ".join(f"{name} +{count}" for name, count in fault.expected.items())
            print(f"injected: {fault.text} at hyperframe {fault.hyperframe} or later; expected {expected}")
        return summarise(pipeline, interrupts)
