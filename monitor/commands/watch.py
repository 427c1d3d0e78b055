"""`framefray watch`: the screen on a source, or a summary where there is no terminal."""

from __future__ import annotations

import argparse
import sys

from decoders.link import LinkDecoder, LinkSettings

from ..errors import InputError
from ..interrupts import Interrupts
from ..opening import link_settings, open_source
from ..pipeline import Pipeline
from ..reports.text import summary_lines
from ..sources import Source, received
from .headless import Reading

HEADLESS_HYPERFRAMES = 600


def run(arguments: argparse.Namespace) -> int:
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if not terminal and not arguments.headless:
        print("framefray: no terminal here, so no screen: a text summary instead", file=sys.stderr)
    headless = arguments.headless or not terminal
    if headless and arguments.hyperframes is None and arguments.source.startswith("emulated"):
        arguments.hyperframes = HEADLESS_HYPERFRAMES
    source = open_source(arguments)
    iq_map = iq_map_text(arguments, source.option)
    settings = link_settings(arguments, source)
    if headless:
        with Interrupts() as interrupts:
            return _summarise_read(source, settings, interrupts)
    pipeline = Pipeline(source, settings)
    from ..tui.app import run_screen

    return run_screen(pipeline, fps=arguments.fps, iq_map=iq_map)


def iq_map_text(arguments: argparse.Namespace, option: str) -> str | None:
    """The IQ map that is given, or that the emulation sends; None where none is known. InputError."""
    from decoders.errors import DecodersError
    from decoders.iq import IqMap
    from decoders.linerates import option_named

    line = option_named(option)
    if arguments.iq is not None:
        try:
            IqMap.parse(line, arguments.iq)
        except DecodersError as error:
            raise InputError(f"--iq {arguments.iq}: {error}") from None
        return str(arguments.iq)
    if not arguments.source.startswith("emulated"):
        return None
    from ..emulation.sender import iq_map_sent

    return iq_map_sent(line)


def _summarise_read(source: Source, settings: LinkSettings, interrupts: Interrupts) -> int:
    """Read to the end of the source or to a signal, and print what it held until then."""
    decoder = LinkDecoder(settings)
    reading = Reading(source, interrupts)
    whole = reading.run(lambda chunk: received(decoder, chunk))
    with interrupts.held():
        decoder.finish()
        reading.tell()
        return _print_summary(decoder, source, whole=whole)


def summarise(pipeline: Pipeline, interrupts: Interrupts, *more: str) -> int:
    """The same of a pipeline, which may have begun; `more` lines come below the summary."""
    reading = Reading(pipeline.source, interrupts)
    whole = reading.run(pipeline.take, pipeline.chunks)
    with interrupts.held():
        pipeline.take(None)
        reading.tell()
        return _print_summary(pipeline.decoder, pipeline.source, *more, whole=whole)


def _print_summary(decoder: LinkDecoder, source: Source, *more: str, whole: bool) -> int:
    print("\n".join([*summary_lines(decoder, source.description), *more]), flush=True)
    if not whole:
        print("framefray: interrupted; the result covers what was read", file=sys.stderr)
        return 130
    if decoder.acquired_at_hyperframe is None:
        print("framefray: no hyperframe sync found; check --form and --option", file=sys.stderr)
        return 2
    return 0
