"""`framefray rates`: the line bit rate table with the capacity of each plane."""

from __future__ import annotations

import argparse

from decoders.errors import DecodersError

from ..errors import InputError
from ..process.streams import print_json, print_lines
from ..reports.rate_table import rate_lines, rate_records


def run(arguments: argparse.Namespace) -> int:
    if arguments.hdlc_rate is not None and arguments.hdlc_rate > 6:
        raise InputError(f"HDLC rate code {arguments.hdlc_rate}: only codes 0 to 6 stand for a bit rate")
    try:
        records = rate_records(arguments.pointer, arguments.hdlc_rate)
    except DecodersError as error:
        raise InputError(str(error)) from None
    if arguments.json:
        print_json({"schema": "framefray.rates/1", "pointer_p": arguments.pointer, "rates": records})
    else:
        print_lines(rate_lines(records, arguments.pointer))
    return 0
