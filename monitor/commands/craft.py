"""`framefray craft`: make a capture with traffic and injected faults."""

from __future__ import annotations

import argparse
import sys
from dataclasses import fields

from decoders.errors import DecodersError

from ..emulation.crafted_file import CraftedFile
from ..errors import InputError
from ..faults.catalogue import CATALOGUE
from ..formats.forms import Form
from ..process.streams import print_lines, tell
from ..text import counted


def run(arguments: argparse.Namespace) -> int:
    names = [field.name for field in fields(CraftedFile) if field.init]
    file = CraftedFile(**{name: getattr(arguments, name) for name in names})
    if file.out == "-" and file.data_format is not Form.HEX and sys.stdout.isatty():
        raise InputError("standard output is a terminal", hint="use a pipe or a file, or --form hex for text")
    try:
        made = file.write()
    except DecodersError as error:
        raise InputError(str(error)) from None
    tell(
        f"{file.out}: {counted(made.hyperframes, 'hyperframe')} of option {file.option} as {file.data_format.value},"
        f" {counted(len(made.truth['frames']), 'C&M frame')}, {counted(len(file.faults), 'fault')}, seed {file.seed}"
    )
    if file.line.fec and file.data_format is not Form.BITS:
        tell(
            f"{file.out}: {file.data_format.value} is what stands behind RS-FEC: it shows what FEC could not correct,"
            " and no FEC"
        )
    return 0


def list_faults() -> None:
    """Every fault with its parameters, to standard output."""
    for kind in CATALOGUE.values():
        lines = [f"{kind.name:16} {kind.meaning}  [{kind.source}]"]
        for p in kind.parameters:
            unit = f" {p.unit}" if p.unit else ""
            lines.append(f"    {p.name}={p.default}  {p.low} to {p.high}{unit}: {p.meaning}")
        print_lines(lines)
