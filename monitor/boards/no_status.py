"""Why a board gave no status, in one line: what came in its place, and what to check."""

from __future__ import annotations

from collections.abc import Mapping

from ..errors import InputError
from ..protocol.records import VERSION
from ..protocol.stream import StreamCounters
from ..text import counted

__all__ = ["no_status"]


def no_status(
    name: str, counters: StreamCounters, *, line_fault: str, unreadable: Mapping[str, int], said: str
) -> InputError:
    """For the line `name`: what its reader counted, the reason where the line itself failed, how many records could
    not be read and why, and the last line of text.
    """
    what = f"{name}: {line_fault or 'no status received'}"
    network = "://" in name
    raw = "for a board that sends raw line data give --form"
    port = f"is it the right {'port' if network else 'device'}, and is the board on? {raw}"
    baud = port if network else f"check --baud; {raw}"
    if unreadable:
        reason, times = max(unreadable.items(), key=lambda item: item[1])
        return InputError(f"{what}: {reason} ({counted(times, 'record')})", hint="check what the board sends")
    if counters.records and said:
        return InputError(f"{what}; text of the board: {said}")
    if counters.unknown_version:
        text = f"{counted(counters.unknown_version, 'record')} of version {counters.last_unknown_version}"
        return InputError(f"{what}: {text}; this program reads version {VERSION}")
    if counters.bad_crc > max(counters.records, counters.bad_cobs, counters.text_lines):
        hint = "check the CRC-32 of the board" + ("" if network else " and --baud")
        return InputError(f"{what}: wrong CRC {counted(counters.bad_crc, 'time')}", hint=hint)
    if counters.records:
        text = f"{counted(counters.records, 'record')}, none of them STATUS"
        if counters.unknown_type:
            text += f"; {counted(counters.unknown_type, 'record')} of unknown type"
        return InputError(f"{what}: {text}")
    if counters.unknown_type:
        return InputError(f"{what}: {counted(counters.unknown_type, 'record')} of unknown type only")
    if counters.text_lines and counters.text_lines >= counters.bad_records:
        text = f"{counted(counters.text_lines, 'line')} of text only, the last: {said}"
        return InputError(f"{what}: {text}", hint="is it the console of the board?")
    if not counters.octets:
        return InputError(f"{what}: nothing received", hint=port)
    text = f"{counted(counters.octets, 'octet')} received, no record among them"
    if counters.bad_records:
        text += f" ({_pieces(counters)})"
    return InputError(f"{what}: {text}", hint=baud)


def _pieces(counters: StreamCounters) -> str:
    kinds = (
        (counters.bad_cobs, "not COBS"),
        (counters.too_short, "too short"),
        (counters.too_long, "too long"),
        (counters.bad_crc, "wrong CRC"),
        (counters.text_lines, "text"),
    )
    return ", ".join(f"{text} {counted(count, 'time')}" for count, text in kinds if count)
