"""Every event of a link in words: its plane, whether it tells of damage, and one line of inert text.

Addresses are written #Z.X.Y as the standard does, with X = Ns + 64*Xs (CPRI V7.0 clause 4.2.7.2). Payload
text is printable ASCII only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from decoders import events as ev
from decoders.cm_plane.packet_text import describe, printable
from decoders.counters import is_damage
from decoders.line_coding.code_8b10b import K28_5
from decoders.link.startup import StartupState

from ..links.snapshot import BoardSaid, SourceWarning
from ..text import counted
from .cells import inert_cells
from .palette import BAD, GOOD, MOVED, NOTE

__all__ = ["EventWords", "event_in_words", "is_bad", "startup_meaning", "status_word"]

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


_Parts = Sequence[tuple[int, str] | tuple[int, str, str]]


class EventWords(NamedTuple):
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


def event_in_words(event: ev.Event) -> EventWords:
    """An event in words; kinds that are new are told by their name."""
    teller = _TELLERS.get(type(event))
    if teller is None:
        return EventWords(NOTE, "event", inert_cells(repr(event)))
    return teller(event)


def _frame(event: ev.FrameReceived) -> EventWords:
    good = event.status is ev.FrameStatus.GOOD
    if event.plane is ev.Plane.ETHERNET:
        content = describe(event.data[:1600]).line
    else:
        content = printable(event.data, _DESCRIBED_OCTETS)
    text = f"{event.length:4d} {inert_cells(content)}"
    return EventWords(GOOD if good else BAD, status_word(event.status), text)


def _octets(event: ev.OctetsChanged) -> EventWords:
    parts: list[str] = []
    for change in event.changes():
        if len(parts) == _SHOWN_CHANGES:
            parts.append(f"and {len(event) - _SHOWN_CHANGES} more")
            break
        x = change.ns + 64 * change.xs
        parts.append(f"#Z.{x}.{change.y} {change.old:02X}>{change.new:02X}")
    return EventWords(MOVED, "changed", f"{len(event):4d} " + ", ".join(parts))


def _sync_state(event: ev.SyncStateChanged) -> EventWords:
    return EventWords(BAD if is_bad(event) else NOTE, "sync", f"{event.old} to {event.new}")


def _end(origin: ev.Origin) -> str:
    return "local" if origin is ev.Origin.LOCAL else "remote"


def _raised(event: ev.AlarmRaised) -> EventWords:
    return EventWords(BAD, "raised", f"{event.alarm.value.upper()}, {_end(event.origin)}")


def _cleared(event: ev.AlarmCleared) -> EventWords:
    return EventWords(NOTE, "cleared", f"{event.alarm.value.upper()}, {_end(event.origin)}")


def _code(event: ev.CodeErrors) -> EventWords:
    return EventWords(
        BAD,
        "line code",
        f"{counted(event.code_violations, 'violation')}, {counted(event.disparity_errors, 'disparity error')}, "
        f"first at octet {event.first_octet} of the hyperframe",
    )


def _blocks(event: ev.BlockErrors) -> EventWords:
    parts: _Parts = [
        (event.header_errors, "bad block header"),
        (event.unexpected_types, "unexpected block type"),
        (event.lock_losses, "loss of block lock", "losses of block lock"),
    ]
    return EventWords(BAD, "line code", _listed(parts, event.first_octet))


def _codewords(event: ev.CodewordErrors) -> EventWords:
    parts: _Parts = [
        (event.uncorrected, "codeword not corrected", "codewords not corrected"),
        (event.corrected, "codeword corrected", "codewords corrected"),
        (event.lock_losses, "loss of codeword lock", "losses of codeword lock"),
    ]
    return EventWords(BAD if is_bad(event) else NOTE, "FEC", _listed(parts, event.first_octet))


def _listed(parts: _Parts, first_octet: int) -> str:
    told = ", ".join(counted(*part) for part in parts if part[0])
    return f"{told}, first at octet {first_octet} of the hyperframe"


def _sync_byte(event: ev.SyncByteMissed) -> EventWords:
    expected = "0xBC (K28.5)" if event.expected == K28_5 else f"0x{event.expected:02X} (/T/)"
    return EventWords(BAD, "sync byte", f"observed 0x{event.octet:02X}, expected {expected}")


def _l1(event: ev.L1Changed) -> EventWords:
    name = _FIELDS.get(event.field, inert_cells(event.field))
    return EventWords(MOVED, "received", f"{name} 0x{event.new:02X}, before 0x{event.old:02X}")


def _accepted(event: ev.L1Accepted) -> EventWords:
    name = _FIELDS.get(event.field, inert_cells(event.field))
    return EventWords(NOTE, "accepted", f"{name} {event.new}, before {event.old}")


def _rejected(event: ev.SettingRejected) -> EventWords:
    name = _FIELDS.get(event.field, inert_cells(event.field))
    return EventWords(BAD, "rejected", f"{name} {event.value} is not valid for this option")


def _startup(event: ev.StartupStateChanged) -> EventWords:
    text = f"{event.old} {startup_meaning(event.old)} to {event.new} {startup_meaning(event.new)}"
    return EventWords(NOTE, "start-up", text)


def _gap(event: ev.HyperframesNotReceived) -> EventWords:
    if event.count is None:
        return EventWords(BAD, "gap", "hyperframes not received, number unknown")
    return EventWords(
        NOTE, "gap", f"{counted(event.count, 'hyperframe')} not received (board or serial line)"
    )


_TELLERS: dict[type[ev.Event], Callable[[Any], EventWords]] = {
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
    ev.AlignmentChanged: lambda e: EventWords(
        NOTE,
        "aligned",
        f"at bit {e.bit_offset} of the stream, alignment offset {counted(e.slip_bits, 'bit')}",
    ),
    ev.HyperframesNotReceived: _gap,
    BoardSaid: lambda e: EventWords(NOTE, "log", inert_cells(e.text)),
    SourceWarning: lambda e: EventWords(BAD if is_bad(e) else NOTE, "source", inert_cells(e.text)),
    ev.SyncByteMissed: _sync_byte,
    ev.BlockErrors: _blocks,
    ev.CodewordErrors: _codewords,
    ev.SyncWordDiffers: lambda e: EventWords(
        NOTE, "sync word", inert_cells(f"layout {e.layout}, origin {e.origin}")
    ),
    ev.SyncWordFillerMismatch: lambda e: EventWords(
        BAD if is_bad(e) else NOTE, "filler", f"in the sync word: {e.octets.hex(' ').upper()}"
    ),
    ev.ScramblingSeedChanged: lambda e: EventWords(
        NOTE, "scrambled", f"seed 0x{e.new:08X}, before 0x{e.old:08X}"
    ),
    ev.ScramblingUnreliable: lambda e: EventWords(
        BAD, "scrambled", f"no seed fits the sync word; seed 0x{e.seed:08X} is kept"
    ),
    ev.FillerMismatch: lambda e: EventWords(
        BAD, "filler", f"wrong after the sync byte: {e.octets.hex(' ').upper()}"
    ),
    ev.PossibleInversion: lambda e: EventWords(
        BAD, "inverted?", "the two wires of the pair may be exchanged"
    ),
    ev.UnexpectedK: lambda e: EventWords(
        BAD, "K code", f"{e.count} unexpected, first 0x{e.octet:02X} at #Z.{e.x}.{e.w}.{e.y}"
    ),
    ev.HfnInvalid: lambda e: EventWords(BAD, "HFN", f"{e.value} is above 149"),
    ev.HfnDiscontinuity: lambda e: EventWords(BAD, "HFN", f"observed {e.seen}, expected {e.expected}"),
    ev.BfnDiscontinuity: lambda e: EventWords(BAD, "BFN", f"observed {e.seen}, expected {e.expected}"),
    ev.ResetRequested: lambda e: EventWords(NOTE, "reset", "requested by the remote end"),
}
