"""What the receiver at a point counts by itself: signs of damage that need no other point."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from decoders import events as ev
from decoders.counters import plane_of
from decoders.events import Alarm, Event, Origin, Plane
from decoders.linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME

__all__ = ["LineSign", "line_signs"]


@dataclass(frozen=True, slots=True)
class LineSign:
    """`count` of what `kind` names (a counter's name where there is one); `key` is equal where it is passed on."""

    plane: Plane
    kind: str
    count: int
    text: str
    key: tuple[object, ...] = ()
    outage: bool = False


_BLOCK_FIELDS = {
    "header_errors": "block_header_errors",
    "unexpected_types": "block_type_unexpected",
    "lock_losses": "block_lock_losses",
}


def line_signs(event: Event) -> Iterator[LineSign]:
    """Signs of an event that are of the segment alone: line code, FEC, sync word, BFN and HFN, L1."""
    plane = plane_of(event)
    match event:
        case ev.CodeErrors():
            where = f"first at octet {event.first_octet} of the hyperframe"
            for name in ("code_violations", "disparity_errors"):
                if count := getattr(event, name):
                    yield LineSign(plane, name, count, where)
        case ev.BlockErrors():
            for field, name in _BLOCK_FIELDS.items():
                if count := getattr(event, field):
                    yield LineSign(
                        plane, name, count, f"first at octet {event.first_octet} of the hyperframe"
                    )
        case ev.CodewordErrors():
            if event.uncorrected:
                yield LineSign(plane, "fec_uncorrected_codewords", event.uncorrected, "")
            if event.lock_losses:
                yield LineSign(plane, "fec_lock_losses", event.lock_losses, "")
        case ev.UnexpectedK():
            place = f"0x{event.octet:02X} at #Z.{event.x}.{event.w}.{event.y}"
            yield LineSign(plane, "unexpected_k", event.count, place)
        case ev.PossibleInversion():
            yield LineSign(plane, "possible_inversion", 1, "the line pair may be swapped")
        case ev.AlarmRaised(origin=Origin.LOCAL):
            yield LineSign(plane, f"{event.alarm.value}_events", 1, event.alarm.value.upper(), outage=True)
        case ev.AlarmRaised() | ev.ResetRequested():
            alarm = event.alarm if isinstance(event, ev.AlarmRaised) else Alarm.RESET
            yield LineSign(
                Plane.L1, f"remote_{alarm.value}", 1, f"{alarm.value.upper()} set in Z.130.0", (alarm,)
            )
        case _:
            yield from _sync_signs(event, plane)


def _sync_signs(event: Event, plane: Plane) -> Iterator[LineSign]:
    match event:
        case ev.SyncByteMissed():
            text = f"0x{event.octet:02X} in place of 0x{event.expected:02X}"
            yield LineSign(plane, "missed_sync_bytes", 1, text)
        case ev.FillerMismatch():
            yield LineSign(plane, "filler_mismatches", 1, event.octets.hex(" "), ("filler", event.octets))
        case ev.HfnInvalid():
            yield LineSign(plane, "hfn_invalid", 1, f"HFN {event.value}", ("hfn", event.value))
        case ev.HfnDiscontinuity() | ev.BfnDiscontinuity():
            name = "hfn" if isinstance(event, ev.HfnDiscontinuity) else "bfn"
            text = f"{name.upper()} {event.seen}, expected {event.expected}"
            jump = (event.seen - event.expected) % (HYPERFRAMES_PER_FRAME if name == "hfn" else BFN_MODULUS)
            yield LineSign(plane, f"{name}_discontinuities", 1, text, (name, jump))
        case ev.ScramblingUnreliable():
            yield LineSign(plane, "scrambling_unreliable", 1, f"seed {event.seed}")
        case ev.ScramblingSeedChanged():
            yield LineSign(plane, "scrambling_seed_changes", 1, f"seed {event.old} to {event.new}")
        case ev.SettingRejected():
            yield LineSign(
                plane, f"{event.field}_rejected", 1, f"value {event.value}", (event.field, event.value)
            )
        case ev.L1Changed() if event.field != "alarms":
            yield LineSign(
                plane, f"{event.field}_changed", 1, f"{event.old} to {event.new}", (event.field, event.new)
            )
