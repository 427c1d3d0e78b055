"""`framefray compare`: what was sent against what was received."""

from __future__ import annotations

import argparse

from ..errors import InputError
from ..links.capture_comparison import compare_sources
from ..opening import check_capture
from ..process.streams import print_json, print_lines, tell
from ..reports.compare_records import compare_record
from ..reports.compare_text import compare_lines
from ..sources.file import open_file_source


def run(arguments: argparse.Namespace) -> int:
    if not 0.0 <= arguments.max_ber <= 1.0:
        raise InputError(f"--max-ber {arguments.max_ber:g} is outside 0 to 1")
    if not 0.5 <= arguments.confidence < 1.0:
        raise InputError(f"--confidence {arguments.confidence:g} is outside 0.5 to 1", hint="0.95 is usual")
    if arguments.sent == "-" and arguments.received == "-":
        raise InputError("only one of the two can be standard input")
    for name in (arguments.sent, arguments.received):
        check_capture(name)
    form = arguments.form
    sent = open_file_source(arguments.sent, arguments.sent_form or form, arguments.option)
    try:
        received = open_file_source(arguments.received, arguments.received_form or form, arguments.option)
        try:
            result = compare_sources(sent, received, confidence=arguments.confidence, places=arguments.places)
        finally:
            received.close()
    finally:
        sent.close()
    for side in (result.sent, result.received):
        for warning in side.warnings:
            tell(f"{side.source}: {warning}")
    passed = result.within(arguments.max_ber, allow_gaps=not arguments.no_gaps)
    if arguments.json:
        record = compare_record(result, passed=passed, max_ber=arguments.max_ber)
        print_json(record)
    else:
        print_lines(compare_lines(result, passed=passed, max_ber=arguments.max_ber))
    return 0 if passed else 1
