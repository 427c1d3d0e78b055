"""What arrived and what was due, as plain facts that can be held against each other.

A fact is one thing a receiver tells of one hyperframe: a frame, an octet that changed, an alarm, the check sum of the
IQ data. Events of a receiver and the sender's list both become facts; only facts are compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from decoders.events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    BfnDiscontinuity,
    BlockErrors,
    CodeErrors,
    CodewordErrors,
    Event,
    FillerMismatch,
    FrameReceived,
    FrameStatus,
    HfnDiscontinuity,
    HfnInvalid,
    L1Accepted,
    L1Changed,
    OctetsChanged,
    Origin,
    Plane,
    ResetRequested,
    ScramblingSeedChanged,
    ScramblingUnreliable,
    SettingRejected,
    SyncByteMissed,
    SyncStateChanged,
    SyncWordFillerMismatch,
    UnexpectedK,
)

from ..faults.verdict import Timed
from .receiver_records import IqReceived, StatusTold

__all__ = ["Fact", "fact_text", "facts_of", "frame_fact"]

_COMPARED = frozenset((FrameStatus.GOOD, FrameStatus.FCS, FrameStatus.TOO_SHORT, FrameStatus.TOO_LONG))
"""Frames of which a receiver can tell every octet; of the others heading and place are held."""


class Fact(NamedTuple):
    """`what` are its values, in the order of `fact_text`; `hyperframe` counts on the line."""

    plane: Plane
    kind: str
    hyperframe: int
    what: tuple[Any, ...]


def frame_fact(
    plane: Plane, hyperframe: int, status: FrameStatus, data: bytes, fcs: bytes, left_out: int
) -> Fact:
    octets = data + fcs if status in _COMPARED else b""
    length = len(data) + len(fcs) + left_out if status in _COMPARED else 0
    return Fact(plane, "frame", hyperframe, (status.value, length, octets))


def facts_of(events: Iterable[Timed]) -> Iterator[Fact]:
    """Every fact that these events tell; events that are comments are left out."""
    for timed in events:
        if timed.at is not None:
            yield from _facts(timed.at, timed.event)


def _facts(at: int, event: Event) -> Iterator[Fact]:
    match event:
        case FrameReceived():
            if event.status is not FrameStatus.LOST_SYNC:
                yield frame_fact(event.plane, at, event.status, event.data, event.fcs, event.left_out)
        case OctetsChanged():
            for c in event.changes():
                yield Fact(event.plane, "octet", at, (c.ns, c.xs, c.y, c.old, c.new))
        case IqReceived():
            yield Fact(Plane.IQ, "IQ data", at, (event.crc32,))
        case AlarmRaised() | AlarmCleared():
            word = "raised" if isinstance(event, AlarmRaised) else "cleared"
            yield Fact(
                _alarm_plane(event.alarm, event.origin),
                f"alarm {word}",
                at,
                (event.alarm.value, event.origin.value),
            )
        case ResetRequested():
            yield Fact(Plane.L1, "reset request", at, ())
        case SettingRejected():
            yield Fact(Plane.L1, "setting not valid", at, (event.field, event.value))
        case L1Accepted():
            yield Fact(Plane.L1, "setting accepted", at, (event.field, event.old, event.new))
        case L1Changed():
            yield Fact(Plane.L1, "L1 octet", at, (event.field, event.old, event.new))
        case SyncByteMissed():
            yield Fact(Plane.SYNC, "sync byte missed", at, (event.octet,))
        case FillerMismatch() | SyncWordFillerMismatch():
            yield Fact(Plane.SYNC, "filler", at, (event.octets,))
        case ScramblingSeedChanged():
            yield Fact(Plane.SYNC, "scrambling seed changed", at, (event.old, event.new))
        case ScramblingUnreliable():
            yield Fact(Plane.SYNC, "scrambling seed unreliable", at, (event.seed,))
        case HfnInvalid():
            yield Fact(Plane.SYNC, "HFN not valid", at, (event.value,))
        case HfnDiscontinuity():
            yield Fact(Plane.SYNC, "HFN discontinuity", at, (event.expected, event.seen))
        case BfnDiscontinuity():
            yield Fact(Plane.SYNC, "BFN discontinuity", at, (event.expected, event.seen))
        case SyncStateChanged():
            if "HFNSYNC" in (event.old, event.new):
                word = "HFNSYNC reached" if event.new == "HFNSYNC" else "HFNSYNC left"
                yield Fact(Plane.SYNC, word, at, ())
        case CodeErrors():
            yield Fact(
                Plane.LINE,
                "code errors",
                at,
                (event.code_violations, event.disparity_errors, event.first_octet),
            )
        case BlockErrors():
            found = (event.header_errors, event.unexpected_types, event.lock_losses, event.first_octet)
            yield Fact(Plane.LINE, "block errors", at, found)
        case CodewordErrors():
            found = (event.corrected, event.corrected_symbols, event.uncorrected, event.first_octet)
            yield Fact(Plane.LINE, "codeword errors", at, found)
        case UnexpectedK():
            yield Fact(Plane.LINE, "unexpected K", at, (event.count, event.x, event.w, event.y, event.octet))
        case StatusTold():
            yield Fact(
                Plane.SYNC, "status", at, (event.bfn, event.hfn, tuple(sorted((event.l1 or {}).items())))
            )


def _alarm_plane(alarm: Alarm, origin: Origin) -> Plane:
    if origin is Origin.REMOTE:
        return Plane.L1
    return Plane.LINE if alarm is Alarm.LOS else Plane.SYNC


def fact_text(fact: Fact) -> str:
    """A fact in a few words, without its plane and hyperframe."""
    match fact.kind:
        case "frame":
            status, length, octets = fact.what
            return f"{status} frame" + (f" of {length} octets: {_hex(octets)}" if length else "")
        case "octet":
            ns, xs, y, old, new = fact.what
            return f"Ns {ns} Xs {xs} Y {y}: {old:02X} -> {new:02X}"
        case "IQ data":
            return f"IQ data, CRC-32 {fact.what[0]:08X}"
        case "alarm raised" | "alarm cleared":
            alarm, origin = fact.what
            return f"{origin} {alarm.upper()} {fact.kind.split()[1]}"
        case "code errors":
            violations, disparity, first = fact.what
            return f"{violations} code violations, {disparity} disparity errors, the first at octet {first}"
        case "block errors":
            headers, types, losses, first = fact.what
            text = (
                f"{headers} bad block headers, {types} blocks of another type, block lock lost {losses} times"
            )
            return f"{text}, the first at octet {first}"
        case "codeword errors":
            corrected, symbols, uncorrected, first = fact.what
            text = f"{corrected} codewords corrected ({symbols} symbols), {uncorrected} not"
            return f"{text}, the first at octet {first}"
        case "unexpected K":
            count, x, w, y, octet = fact.what
            return f"{count} K characters, the first {octet:02X} at X {x} W {w} Y {y}"
        case "HFN discontinuity" | "BFN discontinuity":
            return f"{fact.kind}: expected {fact.what[0]}, observed {fact.what[1]}"
    values = " ".join(value.hex() if isinstance(value, bytes) else str(value) for value in fact.what)
    return f"{fact.kind} {values}".rstrip()


def _hex(octets: bytes, most: int = 12) -> str:
    """First and last octets."""
    if len(octets) <= 2 * most:
        return octets.hex(" ").upper()
    return f"{octets[:most].hex(' ')} … {octets[-most:].hex(' ')}".upper()


def by_plane(facts: Iterable[Fact]) -> Mapping[tuple[Plane, str], Sequence[Fact]]:
    """Facts by plane and kind, each in the order told."""
    out: dict[tuple[Plane, str], list[Fact]] = {}
    for fact in facts:
        out.setdefault((fact.plane, fact.kind), []).append(fact)
    return out
