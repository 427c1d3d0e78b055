"""A crafted capture as a file in any data format, with the list of injected faults beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, cast

import msgspec.json
import numpy as np

from decoders.errors import DecodersError
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, LineRateOption, option_named
from decoders.link.settings import SenderSettings

from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.injector import check_fault
from ..faults.kinds import Fault
from ..faults.plan import read_fault_plan
from ..formats.ffcap import CaptureHeader, CaptureRecordType
from ..formats.ffcap_writer import CaptureWriter
from ..formats.forms import Form, check_form, checked_option, form_of_name
from ..formats.hex_text import HexWriter
from ..process.output_file import OutputFile
from ..process.streams import write_output
from ..text import json_text
from .crafting import Crafted, craft
from .emulated_link import DEFAULT_RATE_CODES
from .line_settings import LineSettings

__all__ = ["CraftedFile"]

MOST_LEAD_BITS = 10_000_000


class _StandardOutput:
    write = staticmethod(write_output)


@dataclass(slots=True, kw_only=True)
class CraftedFile:
    """What is to be crafted; the fields are the options of the command line.

    InputError for settings or faults that are not valid together. `out` "-" is standard output; `form` None takes the
    form that its suffix stands for.
    """

    out: str
    form: str | None = None
    option: str = "2"
    hyperframes: int = 300
    seed: int = 1
    pointer: int = 40
    hdlc_rate: int | None = None
    bfn: int = 0
    hfn: int = 0
    load: float = 1.0
    lead_bits: int = 0
    fec: str | None = None
    fec_header_xor: str | None = None
    scrambling: int | None = None
    fault: Sequence[str] = ()
    plan: str | None = None
    truth: str | None = None
    force: bool = False
    data_format: Form = field(init=False)
    faults: list[Fault] = field(init=False)
    line: LineSettings = field(init=False)
    _settings: SenderSettings = field(init=False, repr=False)

    def __post_init__(self) -> None:
        form = Form(self.form) if self.form else form_of_name(self.out)
        if form is None:
            forms = " ".join(f".{f.value}" for f in Form)
            raise InputError(f"{self.out}: unknown suffix", hint=f"use one of {forms}, or give --form")
        self.data_format = form
        if self.truth and self.truth != "-" and Path(self.truth).resolve() == Path(self.out).resolve():
            raise InputError(f"{self.out}: OUT and --truth are the same file")
        if self.lead_bits > MOST_LEAD_BITS:
            raise InputError(f"--lead-bits {self.lead_bits}: at most {MOST_LEAD_BITS}")
        if self.lead_bits and form is not Form.BITS:
            raise InputError(f"--lead-bits is for the bits format, not for {form.value}")
        option = option_named(checked_option(self.option))
        check_form(form, option.name)
        fec = self.fec == "on"
        if self.fec_header_xor is not None and not fec:
            raise InputError("--fec-header-xor goes with --fec on")
        self.line = LineSettings(fec, self.fec_header_xor == "on", self.scrambling)
        self.line.check(option)
        code = DEFAULT_RATE_CODES.get(option.name, 6) if self.hdlc_rate is None else self.hdlc_rate
        try:
            self._settings = SenderSettings(
                option=option.name, pointer_p=self.pointer, hdlc_rate_code=code, bfn=self.bfn, hfn=self.hfn
            )
        except DecodersError as error:
            raise InputError(str(error)) from None
        self.faults = self._faults(option)

    def _faults(self, option: LineRateOption) -> list[Fault]:
        faults = [parse_fault(text) for text in self.fault]
        for fault in faults:
            if fault.hyperframe is None:
                raise InputError(
                    f"fault {fault.kind.name}: no hyperframe is given",
                    hint=f"write it as {fault.kind.name}@40",
                )
        if self.plan:
            settings = self._settings

            def check(fault: Fault) -> None:
                codes = settings.pointer_p, settings.hdlc_rate_code
                check_fault(fault, option, *codes, fec=self.line.fec, version=self.line.version)

            faults += read_fault_plan(self.plan).faults(option, self.hyperframes, check)
        return faults

    def write(self) -> Crafted:
        """Write the capture and its list of injected faults, both or none."""
        with ExitStack() as files:

            def opened(name: str) -> OutputFile:
                return files.enter_context(OutputFile(Path(name), force=self.force))

            truth = opened(self.truth) if self.truth else None
            made = self._write_to(_StandardOutput() if self.out == "-" else opened(self.out))
            if truth is not None:
                truth.write(json_text(made.truth, indent=1).encode() + b"\n")
        return made

    def _write_to(self, out: OutputFile | _StandardOutput) -> Crafted:
        match self.data_format:
            case Form.FFCAP:
                return self._write_capture(out)
            case Form.HEX:
                text = HexWriter(cast(BinaryIO, out))
                made = self._craft(LineForm.OCTETS, lambda data: text.write(np.frombuffer(data, np.uint8)))
                text.close()
                return made
            case form:
                return self._craft(LineForm(form.value), out.write)

    def _craft(self, form: LineForm, write: Callable[[bytes], object], **more: Any) -> Crafted:
        return craft(
            self._settings,
            self.hyperframes,
            form,
            write,
            seed=self.seed,
            load=self.load,
            faults=self.faults,
            lead_bits=self.lead_bits,
            line=self.line,
            **more,
        )

    def _write_capture(self, out: OutputFile | _StandardOutput) -> Crafted:
        if not isinstance(out, OutputFile) or not out.part.is_file():
            raise InputError(f"{self.out}: an .ffcap capture needs a file, not a stream or a device")
        header = CaptureHeader(option=self._settings.option, form=Form.FLAGGED)
        sent = 0
        with CaptureWriter(out.part, header) as writer:
            writer.path = out.path  # the name in its messages

            def append(data: bytes) -> None:
                if data:
                    at = sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND
                    writer.append(CaptureRecordType.FLAGGED, data, at)

            def after(total: int) -> None:
                nonlocal sent
                sent = total

            made = self._craft(LineForm.FLAGGED, append, after_batch=after)
            for fault in made.truth["faults"]:
                at = fault["hyperframe"] * 1_000_000_000 // HYPERFRAMES_PER_SECOND
                writer.append(CaptureRecordType.FAULT, msgspec.json.encode(fault), at)
        return made
