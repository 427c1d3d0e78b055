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
from numpy.typing import NDArray

from decoders.characters import LineForm
from decoders.code_8b10b import pack_symbols, symbols_at
from decoders.controlwords import vendor_places
from decoders.events import COUNTERS, FRAME_COUNTERS
from decoders.linerates import LineRateOption, option_named
from decoders.link import SenderSettings

from ..errors import InputError
from ..faults.catalogue import Fault
from .reference import ReferenceResult, ReferenceSettings, receive_characters
from .reference_code import Characters, decode_symbols
from .sender import EmulatedSender, LineWriter

__all__ = ["Crafted", "craft"]

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
BATCH_HYPERFRAMES = 50
SLIP_DISTANCE = 10


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
    after_batch: Callable[[int], object] = lambda _: None,
) -> Crafted:
    """Write a stream of `form` through `write`, batch by batch; InputError where a fault has no place."""
    option = option_named(settings.option)
    sender = EmulatedSender(settings, seed, load=load)
    for fault in faults:
        if fault.hyperframe is not None and fault.hyperframe >= hyperframes:
            raise InputError(
                f"fault {fault.kind.name}@{fault.hyperframe}: the capture ends with {hyperframes - 1}"
            )
        sender.schedule(fault)
    _check_slips(faults)
    computed = any(fault.needs_receiver for fault in faults)
    writer = LineWriter(form, option, lead_bits=lead_bits, keep_symbols=computed)
    audit = _Audit(option, settings.pointer_p)
    written = 0
    for start in range(0, hyperframes, BATCH_HYPERFRAMES):
        n = min(BATCH_HYPERFRAMES, hyperframes - start)
        batches = sender.batch(n, following=hyperframes - start - n)
        data = writer.write(batches)
        written += len(data)
        write(data)
        for batch in batches:
            audit.take(batch.octets)
        after_batch(start + n)
    tail = writer.finish()
    written += len(tail)
    write(tail)
    reference = None
    if computed:
        received = _received(np.concatenate(writer.kept_symbols), writer.slips, option, form)
        reference = receive_characters(received, ReferenceSettings(option.name), form.has_flags)
    return Crafted(
        hyperframes, written, _truth(sender, settings, audit, hyperframes, reference, writer, form)
    )


def _check_slips(faults: Sequence[Fault]) -> None:
    """Slips need time between them for the receiver to find sync again, or nobody can say what it sees."""
    at = sorted(f.hyperframe or 0 for f in faults if f.kind.name == "line.slip")
    for one, next_one in pairwise(at):
        if next_one - one < SLIP_DISTANCE:
            raise InputError(
                f"fault line.slip@{next_one}: the slip before is at {one}",
                hint=f"leave at least {SLIP_DISTANCE} hyperframes between slips",
            )


class _Audit:
    """Looks at the control octets as sent, one hyperframe after the other: vendor changes and timing."""

    def __init__(self, option: LineRateOption, pointer_p: int) -> None:
        self.vendor: list[dict[str, int]] = []
        self.timing: list[tuple[int, int]] = []
        self.without_sync = 0
        self._places = vendor_places(option.name, pointer_p)
        self._before: U8 | None = None

    def take(self, octets: U8) -> None:
        for frame in octets:
            control = frame[:, 0, :].reshape(-1)
            width = frame.shape[2]
            now = control[self._places.flat]
            number = len(self.timing)
            if self._before is not None:
                for i in np.flatnonzero(now != self._before).tolist():
                    ns, xs, y = self._places.triples[i].tolist()
                    old, new = int(self._before[i]), int(now[i])
                    self.vendor.append(
                        {"hyperframe": number, "ns": ns, "xs": xs, "y": y, "old": old, "new": new}
                    )
            self._before = now
            bfn = int(control[128 * width]) | (int(control[192 * width]) & 15) << 8
            self.timing.append((bfn, int(control[64 * width])))

    def timing_counters(self) -> dict[str, int]:
        """HFN and BFN as sent, held against a count that follows them."""
        counters = {"hfn_invalid": 0, "hfn_discontinuities": 0, "bfn_discontinuities": 0}
        expected_bfn: int | None = None
        expected_hfn: int | None = None
        for bfn, hfn in self.timing:
            if hfn > 149:
                counters["hfn_invalid"] += 1
            elif expected_hfn is not None and hfn != expected_hfn:
                counters["hfn_discontinuities"] += 1
            if expected_bfn is not None and bfn != expected_bfn:
                counters["bfn_discontinuities"] += 1
            here = expected_hfn if hfn > 149 else hfn
            expected_hfn = None if here is None else (here + 1) % 150
            expected_bfn = (bfn + (expected_hfn == 0)) % 4096
        return counters


def _truth(
    sender: EmulatedSender,
    settings: SenderSettings,
    audit: _Audit,
    hyperframes: int,
    reference: ReferenceResult | None,
    writer: LineWriter,
    form: LineForm,
) -> dict[str, Any]:
    option = sender.option
    frames: list[dict[str, Any]] = []
    counters = dict.fromkeys(COUNTERS, 0)
    for sent in sorted(sender.sent, key=lambda f: (f.hyperframe, f.plane != "hdlc")):
        bfn, hfn = audit.timing[sent.hyperframe]
        counters[FRAME_COUNTERS[sent.plane, sent.status]] += 1
        frames.append(
            {
                "plane": sent.plane.value,
                "hyperframe": sent.hyperframe,
                "bfn": bfn,
                "hfn": hfn,
                "length": len(sent.data) + len(sent.fcs),
                "status": sent.status.value,
                "data": sent.data.hex(),
                "fcs": sent.fcs.hex(),
            }
        )
    vendor = audit.vendor
    counters["vendor_changes"] = len(vendor)
    counters |= audit.timing_counters()
    faults = []
    for place in sender.placed:
        expected = dict(place.expected) if place.sent else {}
        if place.fault.kind.name.startswith("line.") and not form.has_flags:
            expected = {}
        if place.fault.kind.name in ("line.violation", "line.disparity", "sync.comma"):
            for name, value in expected.items():
                counters[name] += value
        faults.append(
            {
                "fault": place.fault.kind.name,
                "hyperframe": place.hyperframe,
                "offset_octets": place.offset_octets,
                "parameters": dict(place.fault.values),
                "expected": expected,
            }
        )
    truth: dict[str, Any] = {
        "schema": "framefray.truth/1",
        "link": {
            "option": option.name,
            "line_rate_bps": option.line_rate_bps,
            "line_code": option.line_code,
            "bytes_per_hyperframe": option.hyperframe_octets,
            "pointer_p": settings.pointer_p,
            "hdlc_rate_code": settings.hdlc_rate_code,
            "protocol_version": settings.version,
        },
        "hyperframes": hyperframes,
        "first": _timing(audit.timing[0]),
        "last": _timing(audit.timing[-1]),
        "computed": reference is not None,
        "frames": frames,
        "vendor": vendor,
        "faults": faults,
        "counters": counters,
    }
    if reference is not None:
        truth["frames"], truth["vendor"] = reference.frames, reference.vendor
        truth["counters"] = reference.counters
        truth["counters"]["realignments"] = len(writer.slips)
        truth["hyperframes"] = reference.hyperframes
        truth["first"], truth["last"] = reference.first, reference.last
    return truth


def _timing(pair: tuple[int, int]) -> dict[str, int]:
    return {"bfn": pair[0], "hfn": pair[1]}


def _received(
    symbols: U16, slips: Sequence[tuple[int, int, int]], option: LineRateOption, form: LineForm
) -> Characters:
    """The characters that a receiver sees: after a slip it reads on in its old alignment to the end of the
    hyperframe, loses the signal there, and finds the next sync byte."""
    if not slips:
        characters = Characters.from_tuples(decode_symbols(symbols.tolist()))
        return characters if form.has_flags else Characters.from_octets(characters.octets)
    per = option.hyperframe_octets
    bits = np.unpackbits(pack_symbols(symbols), bitorder="little", count=10 * len(symbols))
    starts = np.arange(0, len(symbols), per, dtype=np.int64) * 10
    moved = 0
    cuts = []
    for hyperframe, x, change in slips:
        at = hyperframe * per * 10 + moved + 10 * ((x * 16 + 8) * option.word_octets) + 5
        bits = np.delete(bits, at) if change < 0 else np.insert(bits, at, 1 - bits[at])
        moved += change
        starts[hyperframe + 1 :] += change
        cuts.append(at)
    packed = np.packbits(bits, bitorder="little")
    tuples = []
    grid = 0
    for at in cuts:
        if at < grid:
            continue
        end = grid + -(-(at - grid) // (10 * per)) * 10 * per
        end = min(end, len(bits) - (len(bits) - grid) % 10)
        tuples += decode_symbols(symbols_at(packed, grid, (end - grid) // 10).tolist())
        later = starts[starts >= end]
        if not len(later):
            return Characters.from_tuples(tuples)
        grid = int(later[0])
    tuples += decode_symbols(symbols_at(packed, grid, (len(bits) - grid) // 10).tolist())
    return Characters.from_tuples(tuples)
