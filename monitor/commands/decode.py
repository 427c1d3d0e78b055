"""`framefray decode`: a source without a screen."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable
from typing import Any

from decoders.counters import ERROR_COUNTERS
from decoders.events import Event, FrameReceived, OctetsChanged
from decoders.link.decoder import LinkDecoder

from ..opening import SourceRequest, link_settings, open_source
from ..process.interrupts import Interrupts
from ..process.streams import print_json, print_lines, tell, write_output
from ..reports.decode_records import decode_record, event_record, frame_record, vendor_records
from ..reports.decode_text import summary_lines
from ..sources.source import received
from ..text import json_lines
from .headless import Reading


def _frames(events: Iterable[Event]) -> Iterable[dict[str, Any]]:
    return (frame_record(e) for e in events if isinstance(e, FrameReceived))


def _vendor(events: Iterable[Event]) -> Iterable[dict[str, Any]]:
    return (line for e in events if isinstance(e, OctetsChanged) for line in vendor_records(e))


def _events(events: Iterable[Event]) -> Iterable[dict[str, Any]]:
    return (event_record(e) for e in events)


def run(arguments: argparse.Namespace) -> int:
    with Interrupts() as interrupts:
        return _run(arguments, interrupts)


def _run(arguments: argparse.Namespace, interrupts: Interrupts) -> int:
    request = SourceRequest.of(arguments)
    source = open_source(request)
    lines: Callable[[Iterable[Event]], Iterable[dict[str, Any]]] | None = None
    if arguments.frames or arguments.vendor or arguments.events:
        lines = _frames if arguments.frames else _vendor if arguments.vendor else _events
    decoder = LinkDecoder(link_settings(request, source))
    if request.is_emulated and request.hyperframes is None and sys.stderr.isatty():
        tell("runs until Ctrl-C, or give --hyperframes N")
    reading = Reading(source, interrupts)
    whole = reading.run(
        lambda chunk: _print(lines, received(decoder, chunk)),
        lambda: decoder.acquired_at_hyperframe is not None,
    )
    with interrupts.held():
        _print(lines, decoder.finish())
        reading.tell()
        if arguments.json:
            print_json(decode_record(decoder))
        elif lines is None:
            print_lines(summary_lines(decoder, source.description))
        sys.stdout.flush()
    if reading.trouble is not None:
        raise reading.trouble
    if not whole:
        tell("interrupted; the result covers what was read")
        return 130
    if decoder.acquired_at_hyperframe is None:
        tell(
            f"{source.description}: no hyperframe sync found as {source.form} of option {source.option};"
            " check --form and --option"
        )
        return 2
    moved = any(decoder.counters[name] for name in ERROR_COUNTERS)
    return 1 if arguments.strict and moved else 0


def _print(
    lines: Callable[[Iterable[Event]], Iterable[dict[str, Any]]] | None, events: Iterable[Event]
) -> None:
    if lines is not None:
        write_output(json_lines(lines(events)))
