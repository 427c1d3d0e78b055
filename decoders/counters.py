"""Counter names of the contract."""

from __future__ import annotations

from .events import FrameStatus, Plane

__all__ = ["COUNTERS", "FRAME_COUNTERS"]

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
"""Counter names in the order they are reported; the last row adds to the contract."""

FRAME_COUNTERS: dict[tuple[Plane, FrameStatus], str] = {
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
}
