"""What the records of the serial line say: header, payload layouts, and a dataclass for each kind.

PROTOCOL.md beside this file is the same byte by byte. Everything is little-endian. Framing, check sequence and
sequence numbers are the business of `stream`; nothing here opens a port or keeps state.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import IntEnum, IntFlag
from types import MappingProxyType
from typing import Any, ClassVar

import construct as cs

from decoders.link.hyperframe_sync import SyncState

__all__ = [
    "BLOCK_OCTETS",
    "HEADER",
    "HEADER_OCTETS",
    "MAX_COMMAND_PAYLOAD",
    "MAX_DATA",
    "MAX_NAME",
    "MAX_PAYLOAD",
    "MAX_SENT_FRAME",
    "UNIT_OCTETS",
    "VERSION",
    "Acknowledge",
    "AskStatus",
    "BoardEvent",
    "EventCode",
    "InjectFault",
    "LineCodeFlag",
    "LineCodeStatus",
    "LineData",
    "LogText",
    "Loopback",
    "Message",
    "PayloadError",
    "Reason",
    "Record",
    "RecordFlag",
    "RecordType",
    "Refuse",
    "ResetTransceiver",
    "SelectData",
    "SendFrame",
    "SetLoopback",
    "SetTraffic",
    "Status",
    "StatusFlag",
    "TrafficPlane",
    "Transceiver",
    "data_payload",
    "option_code",
    "option_name",
    "pack_message",
    "parse_data",
    "parse_message",
]

VERSION = 1
"""Version octet. It stays below 7 for good: no such octet stands in a text, so no record looks like one."""
MAX_DATA = 1 << 16
"""Longest piece of line data in one record: the octets of a hyperframe of option 7 or 7A; more goes in pieces."""
MAX_PAYLOAD = MAX_DATA + 16
MAX_COMMAND_PAYLOAD = 256
"""Longest payload to a board, so that 300 octets of receive buffer will do."""
MAX_SENT_FRAME = MAX_COMMAND_PAYLOAD - 4
"""Longest frame that a board is asked to send, without its FCS."""
MAX_NAME = 64
"""Characters of a board's name; the rest of a longer one is left out."""

HEADER = cs.Struct(
    "version" / cs.Int8ul,
    "type" / cs.Int8ul,
    "flags" / cs.Int16ul,
    "sequence" / cs.Int32ul,
    "time_ns" / cs.Int64ul,
)
"""Header as laid out in PROTOCOL.md; `stream` reads it by struct, which is twenty times as fast."""
HEADER_OCTETS = 16


class PayloadError(ValueError):
    """A payload that is not what its record type says; on the line this is a counted event."""


class RecordType(IntEnum):
    """Type octet: below 0x40 from a board, 0x40 and above to a board."""

    OCTETS = 0x01
    FLAGGED = 0x02
    CONTROL = 0x03
    BLOCKS = 0x04
    STATUS = 0x10
    EVENT = 0x11
    LOG = 0x12
    LINE_CODE = 0x13
    ACKNOWLEDGE = 0x20
    REFUSE = 0x21
    ASK_STATUS = 0x40
    SET_LOOPBACK = 0x41
    RESET_TRANSCEIVER = 0x42
    SET_TRAFFIC = 0x43
    INJECT_FAULT = 0x44
    SELECT_DATA = 0x45
    SEND_FRAME = 0x46

    @property
    def is_line_data(self) -> bool:
        return self <= RecordType.BLOCKS

    @property
    def is_command(self) -> bool:
        return self >= RecordType.ASK_STATUS


class RecordFlag(IntFlag):
    NONE = 0
    FIRST = 1
    """The sender has just started: its sequence numbers begin anew."""
    LOST = 2
    """Line data were lost in the board before this record."""
    UNCUT = 4
    """Line data that are not cut at hyperframes: `hyperframe` and `offset` mean nothing."""


class Loopback(IntEnum):
    NONE = 0
    INTERNAL = 1
    CABLE = 2
    PAIR = 3


class Transceiver(IntFlag):
    TRANSMITTER = 1
    RECEIVER = 2


class TrafficPlane(IntEnum):
    IQ = 1
    HDLC = 2
    ETHERNET = 3
    VENDOR = 4


class StatusFlag(IntFlag):
    NONE = 0
    LOS = 1
    LOF = 2
    TRANSMITTER_ON = 4
    RECEIVER_READY = 8
    FEC = 16
    """The link runs with RS-FEC (options 7A to 10)."""
    BLOCK_LOCK = 32
    """The receiver has block lock (options 7A to 10)."""
    SCRAMBLED = 64
    """What is received is scrambled (protocol version 2, options 5 to 7)."""


class EventCode(IntEnum):
    STARTED = 1
    SYNC_ACQUIRED = 2
    SYNC_LOST = 3
    LOS_RAISED = 4
    LOS_CLEARED = 5
    TRANSCEIVER_RESET = 6
    LOOPBACK_SET = 7
    TRAFFIC_SET = 8
    FAULT_PLACED = 9
    DATA_LOST = 10
    DATA_SELECTED = 11


class Reason(IntEnum):
    """Why a command is refused."""

    UNKNOWN_COMMAND = 1
    MALFORMED = 2
    OUT_OF_RANGE = 3
    NOT_SUPPORTED = 4
    NOT_NOW = 5


class LineCodeFlag(IntFlag):
    NONE = 0
    FEC_LOCK = 1
    SEED_KNOWN = 2
    PHASE_KNOWN = 4


_SYNC_STATES = tuple(SyncState)
_ALIGNMENT_UNKNOWN = 0xFF
_MOST_ALIGNMENT = 65
"""Bits of a 64B/66B block but one; an 8B/10B receiver has 0 to 9."""
BLOCK_OCTETS = 9
"""Octets of one 64B/66B block in a record: one with the two header bits, eight of payload."""


def option_code(name: str | None) -> int:
    """The octet that stands for a line rate option: its number, 0x7A for 7A, 0 for None."""
    return 0 if name is None else 0x7A if name == "7A" else int(name)


def option_name(code: int) -> str | None:
    """The option an octet stands for; None for 0; PayloadError for one that does not exist."""
    if code == 0x7A:
        return "7A"
    if code > 10:
        raise PayloadError(f"option code {code} does not exist")
    return str(code) if code else None


def _state(code: int) -> SyncState:
    if code >= len(_SYNC_STATES):
        raise PayloadError(f"sync state {code} does not exist")
    return _SYNC_STATES[code]


def _alignment(code: int) -> int | None:
    if code == _ALIGNMENT_UNKNOWN:
        return None
    if code > _MOST_ALIGNMENT:
        raise PayloadError(f"alignment offset {code} is not 0 to {_MOST_ALIGNMENT} bits")
    return code


def _as(field: Any, read: Callable[[Any], Any], write: Callable[[Any], Any] = int) -> Any:
    return cs.ExprAdapter(field, lambda value, _: read(value), lambda value, _: write(value))


_TEXT = _as(cs.GreedyBytes, lambda b: b.decode("utf-8", "replace"), lambda s: s.encode("utf-8", "replace"))
_NAME = _as(
    cs.GreedyBytes, lambda b: b.decode("utf-8", "replace")[:MAX_NAME], lambda s: s.encode("utf-8", "replace")
)
_OPTION = _as(cs.Int8ul, option_name, option_code)
_TYPE = _as(cs.Int8ul, int)


@dataclass(frozen=True, slots=True)
class Record:
    """One good record of the line. `type` may be one that this version does not know."""

    type: int
    flags: int
    sequence: int
    time_ns: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class LineData:
    """Line data of `type` OCTETS, FLAGGED, CONTROL or BLOCKS from a board.

    `hyperframe` counts from the board's start; `offset` is where `data` begins in that hyperframe, in octets of
    the record's own form (0 unless a hyperframe goes in pieces). Words (FLAGGED, CONTROL) and blocks are never split.
    """

    hyperframe: int
    offset: int
    option: str | None
    data: bytes
    type: RecordType = RecordType.OCTETS


@dataclass(frozen=True, slots=True)
class Status:
    """State of a board; see PROTOCOL.md for each field. `alignment_bits`: 0 to 9 (64B/66B: 0 to 65), None unknown."""

    TYPE: ClassVar = RecordType.STATUS
    LAYOUT: ClassVar = cs.Struct(
        "option" / _OPTION,
        "data_type" / _TYPE,
        "sync_state" / _as(cs.Int8ul, _state, _SYNC_STATES.index),
        "loopback" / _as(cs.Int8ul, Loopback),
        "flags" / _as(cs.Int16ul, StatusFlag),
        "alignment_bits" / _as(cs.Int8ul, _alignment, lambda n: _ALIGNMENT_UNKNOWN if n is None else n),
        cs.Padding(1),
        "delay_clocks" / cs.Int32ul,
        "clock_period_ps" / cs.Int32ul,
        "hyperframes" / cs.Int64ul,
        "code_violations" / cs.Int32ul,
        "disparity_errors" / cs.Int32ul,
        "los_events" / cs.Int32ul,
        "lof_events" / cs.Int32ul,
        "resets" / cs.Int32ul,
        "data_lost" / cs.Int32ul,
        "bad_records" / cs.Int32ul,
        "name" / _NAME,
    )
    option: str | None
    data_type: int
    sync_state: SyncState
    loopback: Loopback
    flags: StatusFlag
    alignment_bits: int | None
    delay_clocks: int
    clock_period_ps: int
    hyperframes: int
    code_violations: int
    disparity_errors: int
    los_events: int
    lof_events: int
    resets: int
    data_lost: int
    bad_records: int
    name: str


@dataclass(frozen=True, slots=True)
class BoardEvent:
    """Something that happened; `value` belongs to the code."""

    TYPE: ClassVar = RecordType.EVENT
    LAYOUT: ClassVar = cs.Struct(
        "code" / _as(cs.Int8ul, EventCode),
        cs.Padding(3),
        "value" / cs.Int32ul,
        "hyperframe" / cs.Int64ul,
    )
    code: EventCode
    value: int
    hyperframe: int


@dataclass(frozen=True, slots=True)
class LogText:
    """A line for whoever reads along."""

    TYPE: ClassVar = RecordType.LOG
    LAYOUT: ClassVar = cs.Struct("text" / _TEXT)
    text: str


@dataclass(frozen=True, slots=True)
class LineCodeStatus:
    """State and counts of FEC, block lock and scrambling; for boards at options 5 to 10.

    `protocol_version` is the received Z.2.0 (0 unknown); `seed` and `codeword_phase_bits` (0 to 5279) hold where
    `flags` say so; counts are since the start, modulo 2^32.
    """

    TYPE: ClassVar = RecordType.LINE_CODE
    LAYOUT: ClassVar = cs.Struct(
        "protocol_version" / cs.Int8ul,
        "flags" / _as(cs.Int8ul, LineCodeFlag),
        "codeword_phase_bits" / cs.Int16ul,
        "seed" / cs.Int32ul,
        "block_header_errors" / cs.Int32ul,
        "block_lock_losses" / cs.Int32ul,
        "fec_corrected_codewords" / cs.Int32ul,
        "fec_corrected_symbols" / cs.Int32ul,
        "fec_uncorrected_codewords" / cs.Int32ul,
        "fec_lock_losses" / cs.Int32ul,
        "scrambling_seed_changes" / cs.Int32ul,
    )
    protocol_version: int
    flags: LineCodeFlag
    codeword_phase_bits: int
    seed: int
    block_header_errors: int
    block_lock_losses: int
    fec_corrected_codewords: int
    fec_corrected_symbols: int
    fec_uncorrected_codewords: int
    fec_lock_losses: int
    scrambling_seed_changes: int


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The command with sequence number `command` was carried out, from `hyperframe` on; `text` may say how."""

    TYPE: ClassVar = RecordType.ACKNOWLEDGE
    LAYOUT: ClassVar = cs.Struct(
        "command" / cs.Int32ul,
        "command_type" / _TYPE,
        cs.Padding(3),
        "hyperframe" / cs.Int64ul,
        "text" / _TEXT,
    )
    command: int
    command_type: int
    hyperframe: int
    text: str


@dataclass(frozen=True, slots=True)
class Refuse:
    """The command with sequence number `command` was not carried out."""

    TYPE: ClassVar = RecordType.REFUSE
    LAYOUT: ClassVar = cs.Struct(
        "command" / cs.Int32ul,
        "command_type" / _TYPE,
        "reason" / _as(cs.Int8ul, Reason),
        cs.Padding(2),
        "text" / _TEXT,
    )
    command: int
    command_type: int
    reason: Reason
    text: str


@dataclass(frozen=True, slots=True)
class AskStatus:
    TYPE: ClassVar = RecordType.ASK_STATUS
    LAYOUT: ClassVar = cs.Struct()


@dataclass(frozen=True, slots=True)
class SetLoopback:
    TYPE: ClassVar = RecordType.SET_LOOPBACK
    LAYOUT: ClassVar = cs.Struct("loopback" / _as(cs.Int8ul, Loopback))
    loopback: Loopback


@dataclass(frozen=True, slots=True)
class ResetTransceiver:
    TYPE: ClassVar = RecordType.RESET_TRANSCEIVER
    LAYOUT: ClassVar = cs.Struct("which" / _as(cs.Int8ul, Transceiver))
    which: Transceiver


@dataclass(frozen=True, slots=True)
class SetTraffic:
    """Fill a plane to `percent` of its capacity; 0 switches its traffic off."""

    TYPE: ClassVar = RecordType.SET_TRAFFIC
    LAYOUT: ClassVar = cs.Struct("plane" / _as(cs.Int8ul, TrafficPlane), "percent" / cs.Int8ul)
    plane: TrafficPlane
    percent: int


@dataclass(frozen=True, slots=True)
class InjectFault:
    """`text` is plane.what[@hyperframe][:key=value,...], ASCII; the hyperframe counts as that of LineData."""

    TYPE: ClassVar = RecordType.INJECT_FAULT
    LAYOUT: ClassVar = cs.Struct("text" / _TEXT)
    text: str


@dataclass(frozen=True, slots=True)
class SelectData:
    """Send line data as OCTETS, FLAGGED, CONTROL or BLOCKS from now on; 0 sends none."""

    TYPE: ClassVar = RecordType.SELECT_DATA
    LAYOUT: ClassVar = cs.Struct("data_type" / _TYPE)
    data_type: int


@dataclass(frozen=True, slots=True)
class SendFrame:
    """Send one C&M frame, given from the address on, without flags, preamble, SFD and FCS, which the board adds."""

    TYPE: ClassVar = RecordType.SEND_FRAME
    LAYOUT: ClassVar = cs.Struct(
        "plane" / _as(cs.Int8ul, TrafficPlane), cs.Padding(3), "frame" / cs.GreedyBytes
    )
    plane: TrafficPlane
    frame: bytes


Message = (
    LineData
    | Status
    | BoardEvent
    | LogText
    | LineCodeStatus
    | Acknowledge
    | Refuse
    | AskStatus
    | SetLoopback
    | ResetTransceiver
    | SetTraffic
    | InjectFault
    | SelectData
    | SendFrame
)
_KINDS: tuple[Any, ...] = (
    Status,
    BoardEvent,
    LogText,
    LineCodeStatus,
    Acknowledge,
    Refuse,
    AskStatus,
    SetLoopback,
    ResetTransceiver,
    SetTraffic,
    InjectFault,
    SelectData,
    SendFrame,
)
KIND_OF_TYPE = MappingProxyType({int(kind.TYPE): kind for kind in _KINDS})

DATA_HEAD = cs.Struct("hyperframe" / cs.Int64ul, "offset" / cs.Int32ul, "option" / _OPTION, cs.Padding(3))
"""Head of a line data payload; the data follow."""
_DATA_HEAD = struct.Struct("<QIB3x")
_LINE_DATA = (RecordType.OCTETS, RecordType.FLAGGED, RecordType.CONTROL, RecordType.BLOCKS)
UNIT_OCTETS = {
    RecordType.OCTETS: 1,
    RecordType.FLAGGED: 2,
    RecordType.CONTROL: 2,
    RecordType.BLOCKS: BLOCK_OCTETS,
}
"""Octets of one item of line data, which is never split."""


def data_payload(hyperframe: int, offset: int, option: str | None, data: bytes | memoryview) -> bytes:
    """Payload of a line data record; PayloadError where `data` is longer than MAX_DATA."""
    if len(data) > MAX_DATA:
        raise PayloadError(f"{len(data)} octets of line data in one record, at most {MAX_DATA}")
    return _DATA_HEAD.pack(hyperframe, offset, option_code(option)) + data


def parse_data(record: Record) -> LineData:
    """The line data of a record of types 1 to 4; PayloadError where it cannot be."""
    payload = record.payload
    if record.type not in _LINE_DATA:
        raise PayloadError(f"record type 0x{record.type:02X} is no line data")
    if len(payload) < _DATA_HEAD.size:
        raise PayloadError(f"line data of {len(payload)} octets have no head")
    hyperframe, offset, code = _DATA_HEAD.unpack_from(payload)
    kind = RecordType(record.type)
    data = payload[_DATA_HEAD.size :]
    unit = UNIT_OCTETS[kind]
    if len(data) % unit or offset % unit:
        raise PayloadError(f"part of a {'block' if kind is RecordType.BLOCKS else 'word'} of line data")
    return LineData(hyperframe, offset, option_name(code), data, kind)


def pack_message(message: Message) -> tuple[RecordType, bytes]:
    """(type, payload) of a message; PayloadError where a field is out of range or the payload too long."""
    if isinstance(message, LineData):
        return message.type, data_payload(message.hyperframe, message.offset, message.option, message.data)
    values = {field.name: getattr(message, field.name) for field in fields(message)}
    try:
        payload: bytes = message.LAYOUT.build(values)
    except (cs.ConstructError, ValueError) as error:
        raise PayloadError(f"{type(message).__name__}: {error}") from None
    limit = MAX_COMMAND_PAYLOAD if message.TYPE.is_command else MAX_PAYLOAD
    if len(payload) > limit:
        raise PayloadError(f"{type(message).__name__}: payload of {len(payload)} octets, at most {limit}")
    return message.TYPE, payload


def parse_message(record: Record) -> Message:
    """What a record says; octets behind a known layout are ignored. PayloadError where it cannot be read."""
    if record.type in _LINE_DATA:
        return parse_data(record)
    kind = KIND_OF_TYPE.get(record.type)
    if kind is None:
        raise PayloadError(f"record type 0x{record.type:02X} is not known")
    try:
        values = kind.LAYOUT.parse(record.payload)
    except (cs.ConstructError, ValueError) as error:
        raise PayloadError(f"{kind.__name__}: {str(error).splitlines()[0]}") from None
    message: Message = kind(**{field.name: values[field.name] for field in fields(kind)})
    return message
