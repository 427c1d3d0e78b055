"""Recovered C&M frames as a pcapng file (draft-ietf-opsawg-pcapng, PCAP Next Generation).

One section, two interfaces: 0 is the fast C&M channel (Ethernet, link type 1), 1 the slow one, HDLC frames, for
which no link type is registered: LINKTYPE_USER0 (147), described in words. Each frame is an Enhanced Packet
Block with its check sequence, the link-layer error bits and, where it is bad, a comment with the verdict.

The time is the line's own: hyperframe number times 66.67 us, from 0 at the first hyperframe in sync. Preamble,
delimiters, flags and stuffing are not part of a packet. Nothing here decodes.
"""

from __future__ import annotations

import struct
from enum import IntEnum
from typing import BinaryIO

from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..text import counted, inert

__all__ = ["LINKTYPE_ETHERNET", "LINKTYPE_USER0", "Direction", "PcapngWriter"]

LINKTYPE_ETHERNET = 1
LINKTYPE_USER0 = 147

_SECTION, _INTERFACE, _PACKET = 0x0A0D0D0A, 1, 6
_BYTE_ORDER = 0x1A2B3C4D
_OPT_COMMENT, _SHB_USERAPPL = 1, 4
_IF_NAME, _IF_DESCRIPTION, _IF_TSRESOL, _IF_FCSLEN = 2, 3, 9, 13
_EPB_FLAGS = 2
_NANOSECONDS = b"\x09"
_FCS_SHIFT = 5

_INTERFACES = {Plane.ETHERNET: 0, Plane.HDLC: 1}
_FCS_OCTETS = {Plane.ETHERNET: 4, Plane.HDLC: 2}

_ERROR_BITS = {
    FrameStatus.FCS: 1 << 24,
    FrameStatus.TOO_LONG: 1 << 25,
    FrameStatus.TOO_SHORT: 1 << 26,
    FrameStatus.UNALIGNED: 1 << 28,
    FrameStatus.DELIMITER: 1 << 29,
    FrameStatus.CODE: 1 << 31,
}
"""Link-layer-dependent errors of the flags word; an abort and lost sync have none."""

_VERDICTS = {
    FrameStatus.CODE: "invalid code group inside the frame",
    FrameStatus.DELIMITER: "start or end delimiter missing or broken",
    FrameStatus.ABORT: "aborted by the sender",
    FrameStatus.UNALIGNED: "not a whole number of octets",
    FrameStatus.TOO_SHORT: "shorter than allowed",
    FrameStatus.TOO_LONG: "longer than allowed",
    FrameStatus.FCS: "wrong check sequence",
    FrameStatus.LOST_SYNC: "cut off by loss of frame sync",
}


class Direction(IntEnum):
    """Bits 0 and 1 of the flags word, seen from where the capture was made."""

    UNKNOWN = 0
    INBOUND = 1
    OUTBOUND = 2


class PcapngWriter:
    """Writes a section to `stream`; `frames` and `bad` count what went into it."""

    def __init__(self, stream: BinaryIO, link: str, direction: Direction = Direction.INBOUND) -> None:
        """`link` names the capture in the section's comment."""
        self._stream = stream
        self._direction = direction
        self.frames = 0
        self.bad = 0
        head = struct.pack("<IHHq", _BYTE_ORDER, 1, 0, -1)
        options = _option(_OPT_COMMENT, inert(link).encode()) + _option(_SHB_USERAPPL, b"framefray")
        self._block(_SECTION, head + options + _option(0, b""))
        clock = "time: hyperframe number x 66.67 us from the first hyperframe in sync"
        self._interface(
            LINKTYPE_ETHERNET,
            "fast C&M",
            f"Fast C&M channel (Ethernet over 4B/5B in control words), DA to FCS; {clock}",
            _FCS_OCTETS[Plane.ETHERNET],
        )
        self._interface(
            LINKTYPE_USER0,
            "slow C&M",
            f"Slow C&M channel: HDLC frames, address to FCS-16, without flags and stuffed zeros; {clock}",
            _FCS_OCTETS[Plane.HDLC],
        )

    def write(self, frame: FrameReceived) -> None:
        """Write one frame of either channel, good or bad."""
        # A packet is cut only at its end, so the FCS of a frame with octets left out goes with them.
        octets = frame.data if frame.left_out else frame.data + frame.fcs
        flags = (
            self._direction | _FCS_OCTETS[frame.plane] << _FCS_SHIFT if frame.fcs else int(self._direction)
        )
        options = b""
        if frame.status is not FrameStatus.GOOD:
            flags |= _ERROR_BITS.get(frame.status, 0)
            cut = (
                f", {counted(frame.length - len(octets), 'octet')} at its end left out"
                if frame.left_out
                else ""
            )
            text = (
                f"{frame.status.value}: {_VERDICTS[frame.status]}{cut}"
                f" (hyperframe {frame.hyperframe}, BFN {frame.bfn}, HFN {frame.hfn})"
            )
            options = _option(_OPT_COMMENT, text.encode())
            self.bad += 1
        options += _option(_EPB_FLAGS, struct.pack("<I", flags)) + _option(0, b"")
        time_ns = (frame.hyperframe or 0) * 1_000_000_000 // HYPERFRAMES_PER_SECOND
        head = struct.pack(
            "<IIIII",
            _INTERFACES[frame.plane],
            time_ns >> 32,
            time_ns & 0xFFFF_FFFF,
            len(octets),
            min(frame.length, 0xFFFF_FFFF),
        )
        self._block(_PACKET, head + _padded(octets) + options)
        self.frames += 1

    def _interface(self, link_type: int, name: str, description: str, fcs_octets: int) -> None:
        options = (
            _option(_IF_NAME, name.encode())
            + _option(_IF_DESCRIPTION, description.encode())
            + _option(_IF_TSRESOL, _NANOSECONDS)
            + _option(_IF_FCSLEN, bytes([fcs_octets]))
            + _option(0, b"")
        )
        self._block(_INTERFACE, struct.pack("<HHI", link_type, 0, 0) + options)

    def _block(self, kind: int, body: bytes) -> None:
        length = struct.pack("<I", len(body) + 12)
        self._stream.write(struct.pack("<I", kind) + length + body + length)


def _padded(data: bytes) -> bytes:
    return data + b"\0" * (-len(data) % 4)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + _padded(value)
