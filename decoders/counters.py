"""Counters and events, told once: which counters an event moves, its plane, and whether it tells of damage.

Two questions are not the same. A counter can be an error counter, one that stays 0 on a clean link; an event can
tell of damage. An alarm that the remote end reports is damage, and moves `l1_alarm_changes`, which is no error counter.
"""

from __future__ import annotations

from types import MappingProxyType

from . import events as ev
from .events import Alarm, Event, FrameStatus, Origin, Plane

__all__ = [
    "COUNTERS",
    "COUNTERS_OF_PLANE",
    "ERROR_COUNTERS",
    "FRAME_COUNTERS",
    "GOOD_FRAME_COUNTERS",
    "SETTING_COUNTERS",
    "counters_of",
    "is_damage",
    "plane_of",
    "plane_of_counter",
]

COUNTERS = (
    "code_violations", "disparity_errors", "los_events", "lof_events",
    "missed_sync_bytes", "unexpected_k", "hfn_invalid", "hfn_discontinuities", "bfn_discontinuities",
    "filler_mismatches",
    "hdlc_frames", "hdlc_fcs_errors", "hdlc_aborts", "hdlc_too_short", "hdlc_too_long", "hdlc_unaligned",
    "ethernet_frames", "ethernet_fcs_errors", "ethernet_code_errors", "ethernet_too_short",
    "ethernet_too_long", "ethernet_delimiter_errors",
    "vendor_changes", "reserved_changes", "pointer_invalid", "version_unknown", "hdlc_rate_invalid",
    "reset_requests", "l1_alarm_changes",
    "hdlc_lost_sync", "ethernet_lost_sync", "ctrl_axc_changes", "realignments",
    "block_header_errors", "block_type_unexpected", "block_lock_losses", "sync_word_filler_mismatches",
    "fec_corrected_codewords", "fec_corrected_symbols", "fec_uncorrected_codewords", "fec_lock_losses",
    "scrambling_seed_changes", "scrambling_unreliable",
)  # fmt: skip
"""Counter names in the order they are reported; the last rows add to the contract."""

COUNTERS_OF_PLANE = MappingProxyType({
    Plane.LINE: (
        "code_violations", "disparity_errors", "unexpected_k", "los_events", "realignments",
        "block_header_errors", "block_type_unexpected", "block_lock_losses",
        "fec_corrected_codewords", "fec_corrected_symbols", "fec_uncorrected_codewords", "fec_lock_losses",
    ),
    Plane.SYNC: (
        "missed_sync_bytes", "lof_events", "filler_mismatches", "hfn_invalid", "hfn_discontinuities",
        "bfn_discontinuities", "sync_word_filler_mismatches", "scrambling_seed_changes", "scrambling_unreliable",
    ),
    Plane.L1: (
        "pointer_invalid", "version_unknown", "hdlc_rate_invalid", "reset_requests", "l1_alarm_changes",
    ),
    Plane.HDLC: (
        "hdlc_frames", "hdlc_fcs_errors", "hdlc_aborts", "hdlc_unaligned", "hdlc_too_short", "hdlc_too_long",
        "hdlc_lost_sync",
    ),
    Plane.ETHERNET: (
        "ethernet_frames", "ethernet_fcs_errors", "ethernet_code_errors", "ethernet_delimiter_errors",
        "ethernet_too_short", "ethernet_too_long", "ethernet_lost_sync",
    ),
    Plane.VENDOR: ("vendor_changes",),
    Plane.CTRL_AXC: ("ctrl_axc_changes",),
    Plane.RESERVED: ("reserved_changes",),
})  # fmt: skip
"""Every counter under the one plane it belongs to."""

ERROR_COUNTERS = frozenset(COUNTERS) - {
    "hdlc_frames", "ethernet_frames", "vendor_changes", "ctrl_axc_changes", "reserved_changes", "reset_requests",
    "l1_alarm_changes", "realignments",
    "fec_corrected_codewords", "fec_corrected_symbols", "scrambling_seed_changes", "sync_word_filler_mismatches",
}  # fmt: skip
"""Counters that stay 0 on a clean link; `decode --strict` and the error total look at these.

What RS-FEC has corrected is no error of the link, and which octets stand beside /T/ and /S/ is not known for sure.
"""

FRAME_COUNTERS = MappingProxyType({
    (Plane.HDLC, FrameStatus.GOOD): "hdlc_frames",
    (Plane.HDLC, FrameStatus.FCS): "hdlc_fcs_errors",
    (Plane.HDLC, FrameStatus.ABORT): "hdlc_aborts",
    (Plane.HDLC, FrameStatus.TOO_SHORT): "hdlc_too_short",
    (Plane.HDLC, FrameStatus.TOO_LONG): "hdlc_too_long",
    (Plane.HDLC, FrameStatus.UNALIGNED): "hdlc_unaligned",
    (Plane.HDLC, FrameStatus.LOST_SYNC): "hdlc_lost_sync",
    (Plane.ETHERNET, FrameStatus.GOOD): "ethernet_frames",
    (Plane.ETHERNET, FrameStatus.FCS): "ethernet_fcs_errors",
    (Plane.ETHERNET, FrameStatus.CODE): "ethernet_code_errors",
    (Plane.ETHERNET, FrameStatus.TOO_SHORT): "ethernet_too_short",
    (Plane.ETHERNET, FrameStatus.TOO_LONG): "ethernet_too_long",
    (Plane.ETHERNET, FrameStatus.DELIMITER): "ethernet_delimiter_errors",
    (Plane.ETHERNET, FrameStatus.LOST_SYNC): "ethernet_lost_sync",
})  # fmt: skip
"""The one counter of a C&M frame."""
GOOD_FRAME_COUNTERS = MappingProxyType(
    {plane: FRAME_COUNTERS[plane, FrameStatus.GOOD] for plane in (Plane.HDLC, Plane.ETHERNET)}
)
"""Counters of frames with nothing wrong: the only ones that move on a clean link where nothing changes."""
SETTING_COUNTERS = MappingProxyType(
    {"version": "version_unknown", "hdlc_rate_code": "hdlc_rate_invalid", "pointer_p": "pointer_invalid"}
)
"""By the field of SettingRejected."""

_CHANGE_COUNTERS = {
    plane: COUNTERS_OF_PLANE[plane][0] for plane in (Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED)
}
_BLOCK_FIELDS = {
    "header_errors": "block_header_errors",
    "unexpected_types": "block_type_unexpected",
    "lock_losses": "block_lock_losses",
}
_CODEWORD_FIELDS = {
    "corrected": "fec_corrected_codewords",
    "corrected_symbols": "fec_corrected_symbols",
    "uncorrected": "fec_uncorrected_codewords",
    "lock_losses": "fec_lock_losses",
}
_ALARM_COUNTERS = {Alarm.LOS: "los_events", Alarm.LOF: "lof_events"}
_PLANE_OF_COUNTER = {name: plane for plane, names in COUNTERS_OF_PLANE.items() for name in names}

_EVENTS: dict[type[Event], tuple[Plane, tuple[str, ...], bool]] = {
    ev.UnexpectedK: (Plane.LINE, ("unexpected_k",), True),
    ev.AlignmentChanged: (Plane.LINE, ("realignments",), False),
    ev.PossibleInversion: (Plane.LINE, (), True),
    ev.SyncByteMissed: (Plane.SYNC, ("missed_sync_bytes",), True),
    ev.FillerMismatch: (Plane.SYNC, ("filler_mismatches",), True),
    ev.HfnInvalid: (Plane.SYNC, ("hfn_invalid",), True),
    ev.HfnDiscontinuity: (Plane.SYNC, ("hfn_discontinuities",), True),
    ev.BfnDiscontinuity: (Plane.SYNC, ("bfn_discontinuities",), True),
    ev.SyncWordDiffers: (Plane.SYNC, (), False),
    ev.SyncWordFillerMismatch: (Plane.SYNC, ("sync_word_filler_mismatches",), True),
    ev.ScramblingSeedChanged: (Plane.SYNC, ("scrambling_seed_changes",), False),
    ev.ScramblingUnreliable: (Plane.SYNC, ("scrambling_unreliable",), True),
    ev.L1Changed: (Plane.L1, (), False),
    ev.L1Accepted: (Plane.L1, (), False),
    ev.ResetRequested: (Plane.L1, ("reset_requests",), False),
    ev.StartupStateChanged: (Plane.L1, (), False),
}
"""Events with one meaning: plane, counters, damage. Those whose meaning is in their fields are in the functions."""


def counters_of(event: Event) -> tuple[str, ...]:
    """Counters that the event moves.

    A change of Z.130.0 moves `l1_alarm_changes` once a bit, by the alarm event of each bit. The first
    AlignmentChanged of a stream moves nothing, as does one that finds the same alignment again. A C&M frame that is
    cut has no event: `hdlc_lost_sync` and `ethernet_lost_sync` are moved by none.
    """
    match event:
        case ev.FrameReceived():
            return (FRAME_COUNTERS[event.plane, event.status],)
        case ev.OctetsChanged():
            return (_CHANGE_COUNTERS[event.plane],)
        case ev.CodeErrors():
            pairs = (("code_violations", event.code_violations), ("disparity_errors", event.disparity_errors))
            return tuple(name for name, count in pairs if count)
        case ev.BlockErrors() | ev.CodewordErrors():
            fields = _BLOCK_FIELDS if isinstance(event, ev.BlockErrors) else _CODEWORD_FIELDS
            return tuple(name for field, name in fields.items() if getattr(event, field))
        case ev.SettingRejected():
            return (SETTING_COUNTERS[event.field],)
        case ev.AlarmRaised(origin=Origin.LOCAL):
            return (_ALARM_COUNTERS[event.alarm],)
        case ev.AlarmRaised() | ev.AlarmCleared(origin=Origin.REMOTE):
            return ("l1_alarm_changes",)
    return _EVENTS[type(event)][1] if type(event) in _EVENTS else ()


def plane_of(event: Event) -> Plane:
    """The plane that an event belongs to; the line for what is no plane's, as events of a board."""
    match event:
        case ev.FrameReceived() | ev.OctetsChanged():
            return event.plane
        case ev.SettingRejected():
            return Plane.L1
        case ev.SyncStateChanged():
            return Plane.SYNC
        case ev.AlarmRaised() | ev.AlarmCleared():
            if event.origin is Origin.REMOTE:
                return Plane.L1
            return Plane.LINE if event.alarm is Alarm.LOS else Plane.SYNC
    return _EVENTS[type(event)][0] if type(event) in _EVENTS else Plane.LINE


def plane_of_counter(name: str) -> Plane:
    """The plane that a counter belongs to; the line for names that are not ours."""
    return _PLANE_OF_COUNTER.get(name, Plane.LINE)


_SYNC_STATES = ("XACQ1", "XACQ2", "XSYNC1", "XSYNC2", "HFNSYNC")


def is_damage(event: Event) -> bool:
    """Whether the event tells of damage on the line, found locally or reported by the remote end.

    A gap of unknown length is damage, too: what was lost there is not known.
    """
    match event:
        case ev.FrameReceived():
            return event.status is not FrameStatus.GOOD
        case ev.SyncStateChanged():
            return _SYNC_STATES.index(event.new) < _SYNC_STATES.index(event.old)
        case ev.HyperframesNotReceived():
            return event.count is None
        case ev.CodeErrors() | ev.BlockErrors() | ev.SettingRejected() | ev.AlarmRaised():
            return True
        case ev.CodewordErrors():
            return bool(event.uncorrected or event.lock_losses)
    return type(event) in _EVENTS and _EVENTS[type(event)][2]
