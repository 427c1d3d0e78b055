"""The .ffcap container: records of line data, board status, marks, faults and notes, readable after a kill.

All numbers are little-endian; every CRC-32 is that of IEEE 802.3 (zlib.crc32). File header, 40 octets:

    offset size
     0      8   magic: 46 46 43 41 50 0D 0A 1A ("FFCAP", CR, LF, end-of-text)
     8      2   version of this layout, 1
    10      2   header length, 40 (a later header may be longer; its CRC is always its last 4 octets)
    12      4   line rate option in ASCII, padded with zeros ("2", "7A"); all zero: not known
    16      1   form of the line data: 1 octets, 2 flagged, 3 symbols, 4 bits
    17      1   bit 0: HDLC least significant bit first; bit 1: Ethernet least significant bit first
    18      1   clock of the record times: 0 recording host, 1 counted from the line data, 2 board
    19      5   reserved, 0
    24      8   start: UTC nanoseconds since 1970 at record time 0 (0: not known)
    32      4   reserved, 0
    36      4   CRC-32 of octets 0 to 35

Then records without gaps, each of 32 octets and its payload:

     0      4   marker: A5 66 66 52
     4      1   type: 1 octets, 2 flagged, 3 symbols, 4 bits, 16 board status, 17 mark, 18 fault, 19 note,
                20 gap
     5      1   flags: bit 0: line data were lost before this record
     6      2   reserved, 0
     8      4   payload length n, at most 16 777 216
    12      4   sequence number, from 0, one more each record, modulo 2^32
    16      8   time, nanoseconds on the clock of the header
    24      4   CRC-32 of octets 0 to 23
    28      n   payload
    28+n    4   CRC-32 of octets 0 to 27+n

Payloads of types 1 to 4 are the raw form of that name, and follow one another as one stream. Faults are a
JSON object, marks and notes UTF-8 text, status what the board sent. A gap is a signed number of 8 octets: so many
hyperframes are missing before the line data to come, by the board's own count; -1 where it does not know. Unknown
types are skipped. The file only ever grows. Nothing here decodes what it carries.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Self

import construct as cs

from ..errors import InputError

__all__ = [
    "HEADER",
    "MAGIC",
    "MAX_PAYLOAD",
    "CaptureHeader",
    "CaptureRecord",
    "CaptureRecordFlag",
    "CaptureRecordType",
    "Clock",
]

MAGIC = b"FFCAP\r\n\x1a"
VERSION = 1
MARKER = b"\xa5ffR"
MAX_PAYLOAD = 16 << 20
"""Longest payload, octets; a longer length is damage."""

HEADER = cs.Struct(
    "magic" / cs.Const(MAGIC),
    "version" / cs.Int16ul,
    "length" / cs.Int16ul,
    "option" / cs.PaddedString(4, "ascii"),
    "form" / cs.Int8ul,
    "lsb_first" / cs.Int8ul,
    "clock" / cs.Int8ul,
    "reserved" / cs.Const(bytes(5)),
    "start_time_ns" / cs.Int64ul,
    "reserved_2" / cs.Const(bytes(4)),
    "crc" / cs.Int32ul,
)
"""The file header as laid out above."""
HEADER_LENGTH = 40
MAX_HEADER_LENGTH = 4096


# Heads are read by the hundred thousand, so by struct: construct takes 20 us each.
RECORD_HEAD = struct.Struct("<4sBBHIIQI")

RECORD_CRC = struct.Struct("<I")

RECORD_OVERHEAD = RECORD_HEAD.size + RECORD_CRC.size

_FORMS = {"octets": 1, "flagged": 2, "symbols": 3, "bits": 4, "blocks": 5}
_FORM_NAMES = {code: name for name, code in _FORMS.items()}


class CaptureRecordType(IntEnum):
    """What a payload is. Types 1 to 5 are line data and carry the form code of the header."""

    OCTETS = 1
    FLAGGED = 2
    SYMBOLS = 3
    BITS = 4
    BLOCKS = 5
    STATUS = 16
    MARK = 17
    FAULT = 18
    NOTE = 19
    GAP = 20

    @property
    def is_line_data(self) -> bool:
        return self <= CaptureRecordType.BLOCKS


GAP_RECORD = RECORD_HEAD.size + 8 + RECORD_CRC.size
"""Octets of a whole gap record."""
_MOST_GAP = 1 << 40  # nine years of hyperframes


def gap_payload(hyperframes: int) -> bytes:
    return hyperframes.to_bytes(8, "little", signed=True)


def gap_of_record(octets: bytes) -> int | None:
    """What a gap record of GAP_RECORD octets says; None where it is none, or its CRC-32 is wrong."""
    head, payload, crc = (
        octets[: RECORD_HEAD.size],
        octets[RECORD_HEAD.size : -RECORD_CRC.size],
        octets[-RECORD_CRC.size :],
    )
    if (
        head[4:5] != bytes([CaptureRecordType.GAP])
        or RECORD_CRC.pack(zlib.crc32(payload, zlib.crc32(head))) != crc
    ):
        return None
    return parse_gap(payload)


def parse_gap(payload: bytes) -> int:
    """Hyperframes that are missing; -1 where nobody knows, or for a number that cannot be."""
    gap = int.from_bytes(payload[:8], "little", signed=True)
    return gap if 0 <= gap <= _MOST_GAP else -1


KNOWN_TYPES = frozenset(int(kind) for kind in CaptureRecordType)


class CaptureRecordFlag(IntFlag):
    NONE = 0
    GAP_BEFORE = 1
    """Line data were lost before this record (the recorder could not keep up)."""


class Clock(IntEnum):
    """Whose clock the record times are."""

    HOST = 0
    LINE = 1
    BOARD = 2


@dataclass(frozen=True, slots=True)
class CaptureHeader:
    """Link settings and clock of a capture. `option` is "" where it is not known."""

    option: str
    form: str
    hdlc_lsb_first: bool = True
    ethernet_lsb_first: bool = True
    clock: Clock = Clock.HOST
    start_time_ns: int = 0

    @property
    def record_type(self) -> CaptureRecordType:
        """The record type of line data in this capture."""
        return CaptureRecordType(_FORMS[self.form])

    def pack(self) -> bytes:
        """The 40 octets of the file header; ValueError for a setting that does not fit."""
        if self.form not in _FORMS:
            raise ValueError(f"form {self.form!r} is none of {', '.join(_FORMS)}")
        if len(self.option) > 4 or not self.option.isascii():
            raise ValueError(f"option {self.option!r} does not fit four ASCII characters")
        fields = {
            "version": VERSION,
            "length": HEADER_LENGTH,
            "option": self.option,
            "form": _FORMS[self.form],
            "lsb_first": self.hdlc_lsb_first | self.ethernet_lsb_first << 1,
            "clock": int(self.clock),
            "start_time_ns": self.start_time_ns,
            "crc": 0,
        }
        body: bytes = HEADER.build(fields)[: -RECORD_CRC.size]
        return body + RECORD_CRC.pack(zlib.crc32(body))

    @classmethod
    def unpack(cls, data: bytes) -> Self:
        """The header of a whole header's octets; InputError says where it is damaged."""
        if not data.startswith(MAGIC):
            raise InputError("not an .ffcap capture: no magic", 0)
        if len(data) < HEADER_LENGTH or len(data) < header_length(data):
            raise InputError(f".ffcap header is cut short: {len(data)} octets", len(data))
        data = data[: header_length(data)]
        if zlib.crc32(data[: -RECORD_CRC.size]) != RECORD_CRC.unpack(data[-RECORD_CRC.size :])[0]:
            raise InputError(".ffcap header is damaged: wrong CRC-32", 0)
        version = int.from_bytes(data[8:10], "little")
        if version != VERSION:
            raise InputError(
                f".ffcap version {version} is not supported; this program reads version {VERSION}", 8
            )
        try:
            fields = HEADER.parse(data)
        except (cs.ConstructError, UnicodeDecodeError):
            raise InputError(".ffcap header is not valid in version 1", 0) from None
        if fields.form not in _FORM_NAMES or fields.clock not in tuple(Clock):
            raise InputError(f".ffcap header has an unknown form {fields.form} or clock {fields.clock}", 16)
        return cls(
            fields.option,
            _FORM_NAMES[fields.form],
            bool(fields.lsb_first & 1),
            bool(fields.lsb_first & 2),
            Clock(fields.clock),
            fields.start_time_ns,
        )


def header_length(data: bytes) -> int:
    """Where the records begin, by the header's own word (40 to 4096)."""
    return min(max(int.from_bytes(data[10:12], "little"), HEADER_LENGTH), MAX_HEADER_LENGTH)


@dataclass(frozen=True, slots=True)
class CaptureRecord:
    """One whole record; `offset` is where it begins in the file."""

    type: CaptureRecordType
    payload: bytes
    time_ns: int
    sequence: int
    flags: CaptureRecordFlag
    offset: int

    @property
    def text(self) -> str:
        """The payload of a note, mark or fault as text; what is not UTF-8 is shown as such."""
        return self.payload.decode("utf-8", "backslashreplace")
