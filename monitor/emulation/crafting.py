"""Makes a capture: traffic, faults, the octets of a form, and the truth about all of it.

The truth comes from what was put in: the frames that left, the octets that were set, the counters that each
fault declares. Only where a fault's consequence hangs on the traffic around it (a flipped line bit, a slip,
lost sync) the slow reference receiver works it out; it shares no code with the decoders.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from decoders.line_coding.characters import LineForm
from decoders.linerates import LineRateOption, option_named
from decoders.link.settings import SenderSettings

from ..errors import InputError
from ..faults.injector import reach
from ..faults.kinds import Fault, Layer
from ..reference.line_code import Characters, decode_symbols
from ..reference.receiver import (
    ReferenceResult,
    ReferenceSettings,
    receive_blocks,
    receive_characters,
)
from .block_writer import BlockLineWriter
from .line_settings import LineSettings
from .line_writer import AnyLineWriter, open_line_writer
from .sender import EmulatedSender
from .truth import TruthAudit, received_as, truth_record

__all__ = ["Crafted", "craft"]

BATCH_HYPERFRAMES = 50
SETTLE_HYPERFRAMES = 10
"""Time that a receiver needs after one fault of line or sync before another can be told apart from it."""
ACQUIRING_HYPERFRAMES = 8
"""From the start: a fault here may change where the receiver finds sync, and what settings it starts with."""


@dataclass(frozen=True, slots=True)
class Crafted:
    """What was made: hyperframes, octets written, and the truth as the contract's JSON object."""

    hyperframes: int
    octets_written: int
    truth: dict[str, Any]


def craft(
    settings: SenderSettings,
    hyperframes: int,
    form: LineForm,
    write: Callable[[bytes], object],
    *,
    seed: int = 1,
    load: float = 1.0,
    faults: Sequence[Fault] = (),
    lead_bits: int = 0,
    line: LineSettings | None = None,
    after_batch: Callable[[int], object] = lambda _: None,
) -> Crafted:
    """Write a stream of `form` through `write`, batch by batch; InputError where a fault has no place."""
    option = option_named(settings.option)
    line = line or LineSettings()
    sender = EmulatedSender(settings, seed, load=load, line=line)
    settings = sender.settings
    for fault in faults:
        if fault.hyperframe is not None and fault.hyperframe >= hyperframes:
            raise InputError(
                f"fault {fault.kind.name}@{fault.hyperframe}: the capture ends with {hyperframes - 1}"
            )
        sender.schedule(fault)
    _check_cuts(faults)
    computed = _must_be_computed(faults, hyperframes, option)
    writer = open_line_writer(form, option, line, lead_bits=lead_bits, keep=computed)
    audit = TruthAudit(option, settings)
    written = 0
    for start in range(0, hyperframes, BATCH_HYPERFRAMES):
        n = min(BATCH_HYPERFRAMES, hyperframes - start)
        batches = sender.batch(n, following=hyperframes - start - n)
        data = writer.write(batches)
        written += len(data)
        write(data)
        for batch in batches:
            audit.take(batch.octets, batch.seeds)
        after_batch(start + n)
    tail = writer.finish()
    written += len(tail)
    write(tail)
    reference = _reference(sender, writer, hyperframes, lead_bits) if computed else None
    return Crafted(hyperframes, written, truth_record(sender, settings, audit, hyperframes, reference, form))


def _reference(
    sender: EmulatedSender, writer: AnyLineWriter, hyperframes: int, lead_bits: int
) -> ReferenceResult:
    """What the slow reference receiver makes of what was written."""
    option, form = sender.option, writer.form
    told = ReferenceSettings(option.name)
    if isinstance(writer, BlockLineWriter):
        return receive_blocks(b"".join(writer.kept), form.value, told)
    symbols, realignments = np.concatenate(writer.kept_symbols), 0
    if form is LineForm.BITS:
        dark = _dark(sender, hyperframes)
        received, realignments = received_as(symbols, writer.cuts, dark, option, lead_bits)
    else:
        received = Characters.from_tuples(decode_symbols(symbols.tolist()))
    reference = receive_characters(received, told, form.has_flags)
    reference.counters["realignments"] = realignments
    return reference


def _last(fault: Fault, hyperframes: int) -> int:
    """The last hyperframe that a fault touches."""
    first, touched = fault.hyperframe or 0, reach(fault)
    return hyperframes - 1 if touched is None else first + touched - 1


def _must_be_computed(faults: Sequence[Fault], hyperframes: int, option: LineRateOption) -> bool:
    """Whether what follows from the faults cannot be told from what was put in alone."""
    if hyperframes < ACQUIRING_HYPERFRAMES or any(fault.needs_receiver for fault in faults):
        return True
    touching = [f for f in faults if f.kind.plane in ("line", "sync", "l1", "delay", "fec", "scrambling")]
    if option.line_code == "64b66b" and any(f.kind.plane == "line" for f in touching):
        return True
    spans = sorted((f.hyperframe or 0, _last(f, hyperframes)) for f in touching)
    if spans and spans[0][0] < ACQUIRING_HYPERFRAMES:
        return True
    return any(next_one[0] - one[1] < SETTLE_HYPERFRAMES for one, next_one in pairwise(spans))


def _check_cuts(faults: Sequence[Fault]) -> None:
    """A receiver needs time to find sync again after line bits came or went, or nobody can say what it sees."""
    cutting = [f for f in faults if f.kind.layer is Layer.BITS]
    spans = sorted((f.hyperframe or 0, _last(f, 0), f.kind.name) for f in cutting)
    for one, next_one in pairwise(spans):
        if next_one[0] - one[1] < SETTLE_HYPERFRAMES:
            raise InputError(
                f"fault {next_one[2]}@{next_one[0]}: the {one[2]} before is at {one[1]}",
                hint=f"leave at least {SETTLE_HYPERFRAMES} hyperframes between them",
            )


def _dark(sender: EmulatedSender, hyperframes: int) -> list[range]:
    """Runs of hyperframes that are not on the line at all."""
    return [
        range(place.hyperframe, _last(place.fault, hyperframes) + 1)
        for place in sender.placed
        if place.fault.kind.name == "line.dark"
    ]
