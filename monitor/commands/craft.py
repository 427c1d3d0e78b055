"""`framefray craft`: make a capture and write down the truth about it."""

from __future__ import annotations

import argparse
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO, cast

import msgspec.json
import numpy as np

from decoders.errors import DecodersError
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from decoders.link.settings import SenderSettings

from ..emulation.crafting import Crafted, craft
from ..emulation.emulated_link import DEFAULT_RATE_CODES
from ..emulation.line_settings import LineSettings
from ..errors import InputError
from ..faults.catalogue import CATALOGUE, parse_fault
from ..faults.injector import check_fault
from ..faults.kinds import Fault
from ..faults.plan import read_fault_plan
from ..formats.ffcap import CaptureHeader, CaptureRecordType
from ..formats.ffcap_writer import CaptureWriter
from ..formats.forms import Form, check_form, form_of_name
from ..formats.hex_text import HexWriter
from ..process.output_file import OutputFile
from ..process.streams import write_output
from ..text import counted, inert, json_text

MOST_LEAD_BITS = 10_000_000


def run(arguments: argparse.Namespace) -> int:
    form = Form(arguments.form) if arguments.form else form_of_name(arguments.out)
    if form is None:
        forms = " ".join(f".{f.value}" for f in Form)
        raise InputError(
            f"{arguments.out}: its suffix names no form", hint=f"use one of {forms} or give --form"
        )
    if arguments.out == "-" and form is not Form.HEX and sys.stdout.isatty():
        raise InputError(
            "standard output is a terminal", hint="pipe it on, or name a file; --form hex is text"
        )
    if arguments.truth and _same(arguments.truth, arguments.out):
        raise InputError(f"{arguments.out}: the capture and its truth cannot be one file")
    if arguments.lead_bits > MOST_LEAD_BITS:
        raise InputError(f"--lead-bits {arguments.lead_bits}: at most {MOST_LEAD_BITS}")
    option = option_named(arguments.option)
    check_form(form, option.name)
    line = _line(arguments)
    line.check(option)
    code = arguments.hdlc_rate
    try:
        settings = SenderSettings(
            option=option.name,
            pointer_p=arguments.pointer,
            hdlc_rate_code=DEFAULT_RATE_CODES.get(option.name, 6) if code is None else code,
            bfn=arguments.bfn,
            hfn=arguments.hfn,
        )
        faults = [parse_fault(text) for text in arguments.fault]
        for fault in faults:
            if fault.hyperframe is None:
                raise InputError(f"fault {fault.kind.name}: say in which hyperframe, as {fault.kind.name}@40")
        if arguments.plan:

            def check(fault: Fault) -> None:
                codes = settings.pointer_p, settings.hdlc_rate_code
                check_fault(fault, option, *codes, fec=line.fec, version=line.version)

            faults += read_fault_plan(arguments.plan).faults(option, arguments.hyperframes, check)
        made = _write(arguments, form, settings, line, faults)
    except DecodersError as error:
        raise InputError(str(error)) from None
    print(
        f"framefray: {inert(arguments.out)}: {counted(made.hyperframes, 'hyperframe')} of option {option.name}"
        f" as {form.value}, {counted(len(made.truth['frames']), 'C&M frame')}, {counted(len(faults), 'fault')},"
        f" seed {arguments.seed}",
        file=sys.stderr,
    )
    return 0


def _line(arguments: argparse.Namespace) -> LineSettings:
    fec, header_xor = arguments.fec == "on", arguments.fec_header_xor
    if header_xor is not None and not fec:
        raise InputError("--fec-header-xor goes with --fec on")
    return LineSettings(fec, header_xor == "on", arguments.scrambling)


def _same(one: str, other: str) -> bool:
    return other != "-" and Path(one).resolve() == Path(other).resolve()


class _StandardOutput:
    write = staticmethod(write_output)


def _write(
    arguments: argparse.Namespace,
    form: Form,
    settings: SenderSettings,
    line: LineSettings,
    faults: list[Fault],
) -> Crafted:
    """The capture and its truth, both or none."""
    with ExitStack() as files:
        truth = (
            files.enter_context(OutputFile(Path(arguments.truth), force=arguments.force))
            if arguments.truth
            else None
        )
        if arguments.out == "-":
            made = _make(arguments, form, settings, line, faults, _StandardOutput())
        else:
            file = files.enter_context(OutputFile(Path(arguments.out), force=arguments.force))
            made = _make(arguments, form, settings, line, faults, file)
        if truth is not None:
            truth.write(json_text(made.truth, indent=1).encode() + b"\n")
    return made


def _make(
    arguments: argparse.Namespace,
    form: Form,
    settings: SenderSettings,
    line: LineSettings,
    faults: list[Fault],
    out: OutputFile | _StandardOutput,
) -> Crafted:
    line_form = {Form.HEX: LineForm.OCTETS, Form.FFCAP: LineForm.FLAGGED}.get(form)
    if line_form is None:
        line_form = LineForm(form.value)
    common = {
        "seed": arguments.seed,
        "load": arguments.load,
        "faults": faults,
        "lead_bits": arguments.lead_bits,
        "line": line,
    }
    if arguments.lead_bits and line_form is not LineForm.BITS:
        raise InputError(f"--lead-bits goes with the bits form, not with {form.value}")
    if form is Form.FFCAP:
        return _make_capture(arguments, settings, out, common)
    if form is not Form.HEX:
        return craft(settings, arguments.hyperframes, line_form, out.write, **common)
    text = HexWriter(cast(BinaryIO, out))
    made = craft(
        settings,
        arguments.hyperframes,
        line_form,
        lambda data: text.write(np.frombuffer(data, np.uint8)),
        **common,
    )
    text.close()
    return made


def _make_capture(
    arguments: argparse.Namespace,
    settings: SenderSettings,
    out: OutputFile | _StandardOutput,
    common: dict[str, Any],
) -> Crafted:
    if not isinstance(out, OutputFile) or not out.part.is_file():
        raise InputError(f"{arguments.out}: an .ffcap capture needs a file, not a stream or a device")
    header = CaptureHeader(option=settings.option, form=Form.FLAGGED)
    sent = 0
    with CaptureWriter(out.part, header) as writer:
        writer.path = out.path  # the name in its messages

        def append(data: bytes) -> None:
            if data:
                writer.append(CaptureRecordType.FLAGGED, data, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND)

        def after(total: int) -> None:
            nonlocal sent
            sent = total

        made = craft(settings, arguments.hyperframes, LineForm.FLAGGED, append, after_batch=after, **common)
        for fault in made.truth["faults"]:
            at = fault["hyperframe"] * 1_000_000_000 // HYPERFRAMES_PER_SECOND
            writer.append(CaptureRecordType.FAULT, msgspec.json.encode(fault), at)
    return made


def list_faults() -> None:
    for kind in CATALOGUE.values():
        print(f"{kind.name:16} {kind.meaning}  [{kind.source}]")
        for p in kind.parameters:
            unit = f" {p.unit}" if p.unit else ""
            print(f"    {p.name}={p.default}  {p.low} to {p.high}{unit}: {p.meaning}")
