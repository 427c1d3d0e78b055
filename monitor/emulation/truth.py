"""The list of what was sent: frames, octets, faults, counters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from decoders.arrays import I64, U8, U16
from decoders.counters import COUNTERS, FRAME_COUNTERS
from decoders.frame_structure import controlwords as cw
from decoders.line_coding.block_forms import fec_shows
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import K28_5_SYMBOLS, pack_symbols, symbols_at
from decoders.line_coding.code_64b66b import START, TERMINATE
from decoders.linerates import LineRateOption
from decoders.link.alarms import RESET_HYPERFRAMES
from decoders.link.settings import D5_6, D16_2, SenderSettings

from ..faults.continuity import ContinuityCount
from ..faults.injector import Cut, move_bits
from ..faults.kinds import Context
from ..reference.line_code import Character, Characters, decode_symbols
from ..reference.receiver import ReferenceResult
from .sender import START_AT, TERMINATE_AT, EmulatedSender

_NOT_IN_THE_OCTETS = ("missed_sync_bytes", "lof_events", "los_events")
BLANK_CHARACTER: Character = (0, 0, 0, 0)


class TruthAudit:
    """Looks at the control octets as sent: changes of octets, timing, and the L1 octets, each held to its rule."""

    def __init__(self, option: LineRateOption, settings: SenderSettings) -> None:
        self.vendor: list[dict[str, int]] = []
        self.timing: list[tuple[int, int]] = []
        self.counters: dict[str, int] = {}
        self._option = option
        self._continuity = ContinuityCount()
        name, pointer, rate = option.name, settings.pointer_p, settings.hdlc_rate_code
        self._compared = {
            "vendor_changes": cw.vendor_places(name, pointer),
            "ctrl_axc_changes": cw.subchannel_places(name, 4, 8),
            "reserved_changes": cw.reserved_places(name, rate),
        }
        self._before: U8 | None = None
        self.seed: int | None = None
        self._alarms = 0
        self._reset_run = 0

    def take(self, octets: U8, seeds: I64 | None = None) -> None:
        """The next hyperframes, uint8 (n, 256, 16, T/8), plain; `seeds` int64 (n,) of the scrambling of version 2."""
        control = octets[:, :, 0, :]
        flat = control.reshape(len(control), -1)
        known = flat if self._before is None else np.concatenate((self._before[None], flat))
        first = len(self.timing) + (self._before is None)
        for counter, places in self._compared.items():
            row, column = np.nonzero(known[1:, places.flat] != known[:-1, places.flat])
            self._add(counter, len(row))
            if counter == "vendor_changes":
                for i, j in zip(row.tolist(), column.tolist(), strict=True):
                    ns, xs, y = places.triples[j].tolist()
                    old, new = (int(known[i + k, places.flat[j]]) for k in (0, 1))
                    change = {"hyperframe": first + i, "ns": ns, "xs": xs, "y": y, "old": old, "new": new}
                    self.vendor.append(change)
        self._before = flat[-1].copy()
        self._fillers(control, seeds)
        self._l1(control)
        high = (control[:, cw.X_BFN_HIGH, 0] & 15).astype(np.int64) << 8
        for bfn, hfn in zip(
            (high | control[:, cw.X_BFN_LOW, 0]).tolist(), control[:, cw.X_HFN, 0].tolist(), strict=True
        ):
            self.timing.append((bfn, hfn))
            self._continuity.take(bfn, hfn)
        self.counters |= self._continuity.counters

    def _add(self, counter: str, count: int) -> None:
        self.counters[counter] = self.counters.get(counter, 0) + count

    def _fillers(self, control: U8, seeds: I64 | None) -> None:
        word = control[:, 0]
        if self._option.line_code == "64b66b":
            in_place = (word[:, TERMINATE_AT] == TERMINATE) & (word[:, START_AT] == START)
            beside = np.delete(word[:, :16], (TERMINATE_AT, START_AT), axis=1)
            wrong = in_place & (beside != D16_2).any(axis=1)
            self._add("sync_word_filler_mismatches", int(np.count_nonzero(wrong)))
            return
        right = word[:, 1:] == D16_2
        right[:, :1] |= word[:, 1:2] == D5_6
        self._add("filler_mismatches", int(np.count_nonzero(~right.all(axis=1))))
        if seeds is None:
            return
        self._add("scrambling_unreliable", int(np.count_nonzero(~right[:, 1:].all(axis=1))))
        known = seeds if self.seed is None else np.concatenate(([self.seed], seeds))
        self._add("scrambling_seed_changes", int(np.count_nonzero(np.diff(known))))
        self.seed = int(seeds[-1])

    def _l1(self, control: U8) -> None:
        option = self._option
        versions = (1, 2) if option.name in ("5", "6", "7") else (1,)
        rates = [code for code in range(8) if option.hdlc_octets(code) is not None]
        pointers = [0, *range(cw.POINTER_MIN, 64)]
        fields = cw.l1_fields(control)
        for counter, values, known in (
            ("version_unknown", fields.version, versions),
            ("hdlc_rate_invalid", fields.rate, rates),
            ("pointer_invalid", fields.pointer, pointers),
        ):
            self._add(counter, int(np.count_nonzero(~np.isin(values, known))))
        for alarms in fields.alarms.tolist():
            self._add("l1_alarm_changes", (alarms ^ self._alarms).bit_count())
            self._alarms = alarms
            self._reset_run = self._reset_run + 1 if alarms & 1 else 0
            self._add("reset_requests", int(self._reset_run == RESET_HYPERFRAMES))


def truth_record(
    sender: EmulatedSender,
    settings: SenderSettings,
    audit: TruthAudit,
    hyperframes: int,
    reference: ReferenceResult | None,
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
    counters |= audit.counters
    faults = []
    for place in sender.placed:
        seen = _seen_in(place.context, form)
        expected = place.fault.expected(seen) if place.sent and place.changes else {}
        # What faults of the line and of the sync word do is not in the octets that the audit looks at.
        for name, value in expected.items():
            if place.fault.kind.plane == "line" or name in _NOT_IN_THE_OCTETS:
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
            **_line_record(sender, audit, hyperframes, form),
        },
        "sent_with_fec": sender.line.fec,
        "hyperframes": hyperframes,
        "first": _timing(audit.timing[0]),
        "last": _timing(audit.timing[-1]),
        "computed": reference is not None,
        "frames": frames,
        "vendor": audit.vendor,
        "faults": faults,
        "counters": counters,
    }
    if reference is not None:
        truth["frames"], truth["vendor"] = reference.frames, reference.vendor
        truth["counters"] = reference.counters
        truth["hyperframes"] = reference.hyperframes
        truth["first"], truth["last"] = reference.first, reference.last
    return truth


def _seen_in(context: Context, form: LineForm) -> Context:
    """What a receiver of a form sees."""
    if context.option.line_code == "8b10b":
        return replace(context, flags=form.has_flags)
    bits = form is LineForm.BITS
    return replace(context, flags=form.has_flags, bits=bits, blocks=bits or form is LineForm.BLOCKS)


def _line_record(
    sender: EmulatedSender, audit: TruthAudit, hyperframes: int, form: LineForm
) -> dict[str, Any]:
    """RS-FEC, scrambling and sync word as `decode --json` names them; the seed is that of the last hyperframe.

    In a format behind the line code there is no RS-FEC to be found, whatever was sent.
    """
    line, shows = sender.line, fec_shows(sender.option, form)
    fec = line.fec and shows
    header_xor = ("on" if line.fec_header_xor else "off") if fec else None
    scrambling = None if line.scrambling is None else {"version": line.version, "seed": audit.seed}
    sync_word = None
    if sender.option.line_code == "64b66b":
        known_by = "measured" if hyperframes > 1 else "assumed"
        sync_word = {"layout": f"T{TERMINATE_AT}_S0", "origin": "T", "known_by": known_by}
    return {
        "fec": "on" if fec else "off",
        **({"fec_shows": shows} if sender.option.line_code == "64b66b" else {}),
        "fec_header_xor": header_xor,
        "scrambling": scrambling,
        "sync_word": sync_word,
    }


def _timing(pair: tuple[int, int]) -> dict[str, int]:
    return {"bfn": pair[0], "hfn": pair[1]}


def received_as(
    symbols: U16, cuts: Sequence[Cut], dark: Sequence[range], option: LineRateOption, lead_bits: int
) -> tuple[Characters, int]:
    """The characters that a receiver of line bits reads, and how often it found another bit alignment.

    It begins at the first pair of sync bytes a hyperframe apart. Where line bits came or went, or the line is
    dark, it reads on in its old alignment to the end of the hyperframe, loses the signal there, and looks for the
    next such pair. One blank character stands for what is not read in between.
    """
    window = option.hyperframe_line_bits
    count = 10 * len(symbols) - sum(cut.bits for cut in cuts if cut.whole)
    starts = np.arange(0, count // window, dtype=np.int64) * window
    bits = np.unpackbits(pack_symbols(symbols), bitorder="little", count=10 * len(symbols))
    losses = [run.start * window for run in dark]
    for cut in cuts:
        at = int(starts[cut.hyperframe]) + cut.at
        if not cut.whole:
            bits = move_bits(bits, at, cut.bits)
            losses.append(at)
        starts[cut.hyperframe + (cut.at > 0 or cut.bits < 0) :] += cut.bits
    # The capture's last octet is filled up with zeros, which may make a last character whole.
    bits = np.concatenate((bits, np.zeros(-(lead_bits + len(bits)) % 8, np.uint8)))
    packed = np.packbits(bits, bitorder="little")
    whole = [s for s in starts.tolist() if s + 10 <= len(bits)]
    sync = np.array([s for s in whole if symbols_at(packed, s, 1)[0] in K28_5_SYMBOLS], np.int64)
    paired = np.intersect1d(sync, sync - window)
    if not len(paired):
        return Characters.from_tuples(()), 0
    tuples: list[Character] = []
    grid, realignments = int(paired[0]), 0
    for at in sorted(losses):
        if at < grid:
            continue
        end = grid + ((at - grid) // window + 1) * window
        if end > len(bits):
            break
        tuples += decode_symbols(symbols_at(packed, grid, (end - grid) // 10).tolist())
        later = paired[paired >= end]
        if not len(later):
            return Characters.from_tuples(tuples), realignments
        realignments += int((later[0] - grid) % 10 != 0)
        grid = int(later[0])
        tuples.append(BLANK_CHARACTER)
    tuples += decode_symbols(symbols_at(packed, grid, (len(bits) - grid) // 10).tolist())
    return Characters.from_tuples(tuples), realignments
