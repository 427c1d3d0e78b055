"""`framefray craft`: make a capture and write down the truth about it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import BinaryIO

import msgspec.json
import numpy as np

from decoders.characters import LineForm
from decoders.errors import DecodersError
from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from decoders.link import SenderSettings

from ..capture import CaptureHeader, CaptureWriter, RecordType
from ..emulation.crafting import Crafted, craft
from ..errors import InputError, OutputError, inert
from ..faults.catalogue import CATALOGUE, Fault, parse_fault
from ..faults.injector import check_fault
from ..faults.plan import read_plan
from ..forms import Form, HexWriter, form_of_name
from ..sources.emulated import DEFAULT_RATE_CODES


def run(arguments: argparse.Namespace) -> int:
    if arguments.faults:
        _list_faults()
        return 0
    form = Form(arguments.form) if arguments.form else form_of_name(arguments.out)
    if form is None:
        forms = " ".join(f".{f.value}" for f in Form)
        raise InputError(
            f"{arguments.out}: its suffix names no form", hint=f"use one of {forms} or give --form"
        )
    if arguments.truth and _same(arguments.truth, arguments.out):
        raise InputError(f"{arguments.out}: the capture and its truth cannot be one file")
    option = option_named(arguments.option)
    if option.line_code != "8b10b":
        raise InputError(
            f"option {option.name} has line code 64B/66B, which cannot be crafted yet", hint="1 to 7 can"
        )
    code = arguments.hdlc_rate
    try:
        settings = SenderSettings(
            option=arguments.option,
            pointer_p=arguments.pointer,
            hdlc_rate_code=DEFAULT_RATE_CODES.get(arguments.option, 6) if code is None else code,
            bfn=arguments.bfn,
            hfn=arguments.hfn,
        )
        faults = [parse_fault(text) for text in arguments.fault]
        for fault in faults:
            if fault.hyperframe is None:
                raise InputError(f"fault {fault.kind.name}: say in which hyperframe, as {fault.kind.name}@40")
        if arguments.plan:

            def check(fault: Fault) -> None:
                check_fault(fault, option, settings.pointer_p, settings.hdlc_rate_code)

            faults += read_plan(arguments.plan).faults(option, arguments.hyperframes, check)
        made = _make(arguments, form, settings, faults)
    except DecodersError as error:
        raise InputError(str(error)) from None
    if arguments.truth:
        text = msgspec.json.format(msgspec.json.encode(made.truth), indent=1) + b"\n"
        try:
            Path(arguments.truth).write_bytes(text)
        except OSError as error:
            raise OutputError(f"{arguments.truth}: {error.strerror}") from None
    print(
        f"framefray: {inert(arguments.out)}: {made.hyperframes} hyperframes of option {arguments.option}"
        f" as {form.value}, {len(made.truth['frames'])} C&M frames, {len(faults)} faults, seed {arguments.seed}",
        file=sys.stderr,
    )
    return 0


def _same(one: str, other: str) -> bool:
    return other != "-" and Path(one).resolve() == Path(other).resolve()


def _make(
    arguments: argparse.Namespace, form: Form, settings: SenderSettings, faults: list[Fault]
) -> Crafted:
    line_form = {Form.HEX: LineForm.OCTETS, Form.FFCAP: LineForm.FLAGGED}.get(form)
    if line_form is None:
        line_form = LineForm(form.value)
    common = {
        "seed": arguments.seed,
        "load": arguments.load,
        "faults": faults,
        "lead_bits": arguments.lead_bits,
    }
    if arguments.lead_bits and line_form is not LineForm.BITS:
        raise InputError(f"--lead-bits goes with the bits form, not with {form.value}")
    if form is Form.FFCAP:
        if arguments.out == "-":
            raise InputError("an .ffcap capture needs a file, not standard output")
        header = CaptureHeader(option=settings.option, form=Form.FLAGGED)
        sent = 0
        Path(arguments.out).unlink(missing_ok=True)
        with CaptureWriter(arguments.out, header) as writer:

            def append(data: bytes) -> None:
                if data:
                    writer.append(RecordType.FLAGGED, data, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND)

            def after(total: int) -> None:
                nonlocal sent
                sent = total

            made = craft(settings, arguments.hyperframes, line_form, append, after_batch=after, **common)
            for fault in made.truth["faults"]:
                at = fault["hyperframe"] * 1_000_000_000 // HYPERFRAMES_PER_SECOND
                writer.append(RecordType.FAULT, msgspec.json.encode(fault), at)
        return made
    try:
        stream: BinaryIO = sys.stdout.buffer if arguments.out == "-" else Path(arguments.out).open("wb")  # noqa: SIM115
    except OSError as error:
        raise OutputError(f"{arguments.out}: {error.strerror}") from None
    try:
        if form is Form.HEX:
            text = HexWriter(stream)
            made = craft(
                settings,
                arguments.hyperframes,
                line_form,
                lambda data: text.write(np.frombuffer(data, np.uint8)),
                **common,
            )
            text.close()
        else:
            made = craft(settings, arguments.hyperframes, line_form, stream.write, **common)
        stream.flush()
    finally:
        if arguments.out != "-":
            stream.close()
    return made


def _list_faults() -> None:
    for kind in CATALOGUE.values():
        print(f"{kind.name:16} {kind.meaning}  [{kind.source}]")
        for p in kind.parameters:
            unit = f" {p.unit}" if p.unit else ""
            print(f"    {p.name}={p.default}  {p.low} to {p.high}{unit}: {p.meaning}")
