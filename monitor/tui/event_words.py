"""Every event of a link in words: its plane, whether it tells of damage, and one line of inert text.

Addresses are written #Z.X.Y as the standard does, with X = Ns + 64*Xs (CPRI V7.0 clause 4.2.7.2). Payload
text is printable ASCII only.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from decoders import events as ev
from decoders.cm_plane.packet_text import describe, printable
from decoders.counters import is_damage
from decoders.link.startup import StartupState

from ..links.snapshot import BoardSaid, SourceWarning
from ..text import counted
from .cells import inert
from .palette import BAD, GOOD, MOVED, NOTE

__all__ = ["Saying", "is_bad", "saying", "startup_meaning", "status_word"]

_SHOWN_CHANGES = 4
_DESCRIBED_OCTETS = 256

_STATUS_WORDS = {
    ev.FrameStatus.GOOD: "good",
    ev.FrameStatus.FCS: "wrong FCS",
    ev.FrameStatus.ABORT: "aborted",
    ev.FrameStatus.UNALIGNED: "unaligned",
    ev.FrameStatus.TOO_SHORT: "too short",
    ev.FrameStatus.TOO_LONG: "too long",
    ev.FrameStatus.CODE: "bad code",
    ev.FrameStatus.DELIMITER: "delimiter",
    ev.FrameStatus.LOST_SYNC: "lost sync",
}
_FIELDS = {
    "version": "protocol version",
    "rate": "HDLC rate octet",
    "alarms": "alarm octet",
    "pointer": "pointer octet",
    "hdlc_rate_code": "HDLC rate code",
    "pointer_p": "pointer p",
}


class Saying(NamedTuple):
    """One event for the screen: glyph, a word of at most 9 characters, and the text."""

    glyph: str
    word: str
    text: str


def status_word(status: ev.FrameStatus) -> str:
    return _STATUS_WORDS[status]


def startup_meaning(letter: str) -> str:
    """What a start-up state A..G is called."""
    return StartupState(letter).meaning


def is_bad(event: ev.Event) -> bool:
    """Whether the event is marked: damage, or what a source lost once it runs."""
    if isinstance(event, SourceWarning):
        return event.hyperframe is not None  # before sync it tells how the source was opened
    return is_damage(event)


def saying(event: ev.Event) -> Saying:
    """Put an event into words; unknown kinds are told by their name."""
    teller = _TELLERS.get(type(event))
    if teller is None:
        return Saying(NOTE, "event", inert(repr(event)))
    return teller(event)


def _frame(event: ev.FrameReceived) -> Saying:
    good = event.status is ev.FrameStatus.GOOD
    if event.plane is ev.Plane.ETHERNET:
        said = describe(event.data[:1600]).line
    else:
        said = printable(event.data, _DESCRIBED_OCTETS)
    text = f"{event.length:4d} {inert(said)}"
    return Saying(GOOD if good else BAD, status_word(event.status), text)


def _octets(event: ev.OctetsChanged) -> Saying:
    parts: list[str] = []
    for change in event.changes():
        if len(parts) == _SHOWN_CHANGES:
            parts.append(f"and {len(event) - _SHOWN_CHANGES} more")
            break
        x = change.ns + 64 * change.xs
        parts.append(f"#Z.{x}.{change.y} {change.old:02X}>{change.new:02X}")
    return Saying(MOVED, "changed", f"{len(event):4d} " + ", ".join(parts))


def _sync_state(event: ev.SyncStateChanged) -> Saying:
    return Saying(BAD if is_bad(event) else NOTE, "sync", f"{event.old} to {event.new}")


def _raised(event: ev.AlarmRaised) -> Saying:
    who = "found here" if event.origin is ev.Origin.LOCAL else "sent by the far end"
    return Saying(BAD, "alarm", f"{event.alarm.value.upper()} {who}")


def _cleared(event: ev.AlarmCleared) -> Saying:
    who = "here" if event.origin is ev.Origin.LOCAL else "at the far end"
    return Saying(NOTE, "cleared", f"{event.alarm.value.upper()} gone {who}")


def _code(event: ev.CodeErrors) -> Saying:
    return Saying(
        BAD,
        "code",
        f"{counted(event.code_violations, 'violation')}, {counted(event.disparity_errors, 'disparity error')}, "
        f"first at octet {event.first_octet} of the hyperframe",
    )


def _l1(event: ev.L1Changed) -> Saying:
    name = _FIELDS.get(event.field, inert(event.field))
    return Saying(MOVED, "received", f"{name} 0x{event.old:02X} to 0x{event.new:02X}")


def _accepted(event: ev.L1Accepted) -> Saying:
    name = _FIELDS.get(event.field, inert(event.field))
    return Saying(NOTE, "accepted", f"{name} {event.old} to {event.new}")


def _rejected(event: ev.SettingRejected) -> Saying:
    name = _FIELDS.get(event.field, inert(event.field))
    return Saying(BAD, "rejected", f"{name} {event.value} cannot be here")


def _startup(event: ev.StartupStateChanged) -> Saying:
    text = f"{event.old} {startup_meaning(event.old)} to {event.new} {startup_meaning(event.new)}"
    return Saying(NOTE, "start-up", text)


_TELLERS: dict[type[ev.Event], Callable[[Any], Saying]] = {
    ev.FrameReceived: _frame,
    ev.OctetsChanged: _octets,
    ev.SyncStateChanged: _sync_state,
    ev.AlarmRaised: _raised,
    ev.AlarmCleared: _cleared,
    ev.CodeErrors: _code,
    ev.L1Changed: _l1,
    ev.L1Accepted: _accepted,
    ev.SettingRejected: _rejected,
    ev.StartupStateChanged: _startup,
    ev.AlignmentChanged: lambda e: Saying(
        NOTE, "aligned", f"bit {e.bit_offset} of the stream, slip {e.slip_bits} of 10 bits"
    ),
    ev.HyperframesNotReceived: lambda e: Saying(
        BAD if is_bad(e) else NOTE,
        "break" if e.count is None else "missing",
        "hyperframes did not come, nobody knows how many"
        if e.count is None
        else f"{counted(e.count, 'hyperframe')} in board or serial line",
    ),
    BoardSaid: lambda e: Saying(NOTE, "log", inert(e.text)),
    SourceWarning: lambda e: Saying(BAD if is_bad(e) else NOTE, "source", inert(e.text)),
    ev.SyncByteMissed: lambda e: Saying(BAD, "missed", f"sync byte: 0x{e.octet:02X} instead of K28.5"),
    ev.FillerMismatch: lambda e: Saying(BAD, "filler", f"beside the sync byte: {e.octets.hex(' ').upper()}"),
    ev.PossibleInversion: lambda e: Saying(BAD, "inverted?", "the line pair may be swapped"),
    ev.UnexpectedK: lambda e: Saying(
        BAD, "stray K", f"{e.count}, first 0x{e.octet:02X} at #Z.{e.x}.{e.w}.{e.y}"
    ),
    ev.HfnInvalid: lambda e: Saying(BAD, "HFN", f"{e.value} is above 149"),
    ev.HfnDiscontinuity: lambda e: Saying(BAD, "HFN", f"{e.seen} where {e.expected} was due"),
    ev.BfnDiscontinuity: lambda e: Saying(BAD, "BFN", f"{e.seen} where {e.expected} was due"),
    ev.ResetRequested: lambda e: Saying(NOTE, "reset", "asked for by the far end"),
}
