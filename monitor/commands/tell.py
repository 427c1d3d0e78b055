"""`framefray tell`: one command to a board, its answer, and the status after it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

import msgspec.json

from ..errors import InputError
from ..opening import asked, is_serial
from ..protocol.records import (
    AskStatus,
    Loopback,
    Message,
    RecordType,
    ResetTransceiver,
    SelectData,
    SetLoopback,
    SetTraffic,
    Status,
    StatusFlag,
    TrafficPlane,
    Transceiver,
)
from ..sources.board import BoardSource
from ..sources.serial_port import SerialLine

_USAGE = "status, loopback none|internal|cable|pair, reset [transmitter|receiver], traffic PLANE PERCENT, data FORM"
_DATA = {"none": 0, "octets": RecordType.OCTETS, "flagged": RecordType.FLAGGED, "control": RecordType.CONTROL}


def parse_command(words: Sequence[str]) -> Message:
    """The message for the words of a command line; InputError says what there is."""
    name, rest = words[0].lower(), [word.lower() for word in words[1:]]
    try:
        if name == "status" and not rest:
            return AskStatus()
        if name == "loopback" and len(rest) == 1:
            return SetLoopback(Loopback[rest[0].upper()])
        if name == "reset" and len(rest) <= 1:
            both = Transceiver.TRANSMITTER | Transceiver.RECEIVER
            return ResetTransceiver(Transceiver[rest[0].upper()] if rest else both)
        if name == "traffic" and len(rest) == 2 and 0 <= int(rest[1]) <= 100:
            return SetTraffic(TrafficPlane[rest[0].upper()], int(rest[1]))
        if name == "data" and len(rest) == 1:
            return SelectData(_DATA[rest[0]])
    except (KeyError, ValueError):
        pass
    raise InputError(f"{' '.join(words)!r} is no command", hint=f"there are {_USAGE}")


def status_record(status: Status) -> dict[str, object]:
    """The status as the JSON object of this command."""
    return {
        "schema": "framefray.tell/1",
        "name": status.name,
        "option": status.option,
        "data": next(name for name, code in _DATA.items() if code == status.data_type),
        "sync_state": status.sync_state.value,
        "loopback": status.loopback.name.lower(),
        "los": bool(status.flags & StatusFlag.LOS),
        "lof": bool(status.flags & StatusFlag.LOF),
        "transmitter_on": bool(status.flags & StatusFlag.TRANSMITTER_ON),
        "receiver_ready": bool(status.flags & StatusFlag.RECEIVER_READY),
        "alignment_bits": status.alignment_bits,
        "delay_clocks": status.delay_clocks,
        "clock_period_ps": status.clock_period_ps,
        "hyperframes": status.hyperframes,
        "code_violations": status.code_violations,
        "disparity_errors": status.disparity_errors,
        "los_events": status.los_events,
        "lof_events": status.lof_events,
        "resets": status.resets,
        "data_lost": status.data_lost,
        "bad_records": status.bad_records,
    }


def run(arguments: argparse.Namespace) -> int:
    message = parse_command(arguments.what)
    if not is_serial(arguments.source):
        raise InputError(f"{arguments.source}: is no serial device or URL with a board behind it")
    guarded = not isinstance(message, AskStatus | SelectData)
    allow = arguments.yes or not guarded or _asked(arguments)
    if not allow:
        raise InputError("this makes the board transmit or reset", hint="--yes does it without asking")
    source = BoardSource(SerialLine(arguments.source, arguments.baud, reconnect=False), allow=allow)
    try:
        if not isinstance(message, AskStatus):
            source.command(message)
        status = source.ask_status()
    finally:
        source.close()
    record = status_record(status)
    if arguments.json:
        print(msgspec.json.encode(record).decode())
    else:
        for key, value in list(record.items())[1:]:
            printable = "".join(c if c.isprintable() else "?" for c in str(value))
            print(f"{key:18}{'unknown' if value is None else printable}")
    return 0


def _asked(arguments: argparse.Namespace) -> bool:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    what = " ".join(arguments.what)
    return asked(f"{arguments.source}: {what}: this makes the board transmit or reset.", "Do it?")
