"""`framefray tell`: one command to a board, its answer, and the status after it."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence

import msgspec.json

from ..boards.board import BoardSource
from ..boards.serial_port import SerialLine
from ..errors import InputError
from ..process.asking import permit
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
from ..sources.names import is_serial, line_meant

_WORDS = {
    "status": ("status", 0, 0),
    "loopback": ("loopback none|internal|cable|pair", 1, 1),
    "reset": ("reset, or reset transmitter|receiver", 0, 1),
    "traffic": ("traffic iq|hdlc|ethernet|vendor PERCENT", 2, 2),
    "data": ("data octets|flagged|control|none", 1, 1),
}
"""Each command as it is said, and how many words may follow it."""
_DATA = {"none": 0, "octets": RecordType.OCTETS, "flagged": RecordType.FLAGGED, "control": RecordType.CONTROL}


def parse_command(words: Sequence[str]) -> Message:
    """The message for the words of a command line; InputError says which word is wrong, and what it may be."""
    name, rest = words[0].lower(), [word.lower() for word in words[1:]]

    def wrong(hint: str) -> InputError:
        return InputError(f"{' '.join(words)!r} is no command", hint=hint)

    def one_of(allowed: Iterable[str]) -> str:
        known = [word.lower() for word in allowed]
        if rest[0] not in known:
            raise wrong(f"{name} takes {', '.join(known[:-1])} or {known[-1]}, not {words[1]!r}")
        return rest[0].upper()

    if name not in _WORDS:
        raise wrong(f"there are {', '.join(_WORDS)}")
    usage, least, most = _WORDS[name]
    if not least <= len(rest) <= most:
        raise wrong(f"say {usage}")
    match name:
        case "loopback":
            return SetLoopback(Loopback[one_of(each.name for each in Loopback)])
        case "reset" if rest:
            return ResetTransceiver(Transceiver[one_of(str(each.name) for each in Transceiver)])
        case "reset":
            return ResetTransceiver(Transceiver.TRANSMITTER | Transceiver.RECEIVER)
        case "traffic":
            plane = TrafficPlane[one_of(each.name for each in TrafficPlane)]
            if not (rest[1].isdecimal() and len(rest[1]) <= 3 and int(rest[1]) <= 100):
                raise wrong(f"traffic takes 0 to 100 percent, not {words[2]!r}")
            return SetTraffic(plane, int(rest[1]))
        case "data":
            return SelectData(_DATA[one_of(_DATA).lower()])
        case _:
            return AskStatus()


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
        url = line_meant(arguments.source)
        raise InputError(
            f"{arguments.source}: is no serial device or URL with a board behind it",
            hint=url and f"a board on the network is {url}",
        )
    guarded = not isinstance(message, AskStatus | SelectData)
    if guarded:
        what = " ".join(arguments.what)
        permit(arguments.yes, f"{arguments.source}: {what}: this makes the board transmit or reset", "Do it?")
    line = SerialLine(arguments.source, arguments.baud, reconnect=False)
    source = BoardSource(line, allow=guarded, select=False)
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
