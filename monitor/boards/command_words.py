"""Commands to a board in the words of a command line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ..errors import InputError
from ..protocol.records import (
    AskStatus,
    Loopback,
    Message,
    RecordType,
    ResetTransceiver,
    SelectData,
    SetLoopback,
    SetTraffic,
    TrafficPlane,
    Transceiver,
)

__all__ = ["DATA_WORDS", "parse_command"]

_WORDS = {
    "status": ("status", 0, 0),
    "loopback": ("loopback none|internal|cable|pair", 1, 1),
    "reset": ("reset, or reset transmitter|receiver", 0, 1),
    "traffic": ("traffic iq|hdlc|ethernet|vendor PERCENT", 2, 2),
    "data": ("data octets|flagged|control|blocks|none", 1, 1),
}
"""Each command with its words, and how few and how many may follow it."""
DATA_WORDS = {
    "none": 0,
    "octets": RecordType.OCTETS,
    "flagged": RecordType.FLAGGED,
    "control": RecordType.CONTROL,
    "blocks": RecordType.BLOCKS,
}


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
        raise wrong(f"write {usage}")
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
            return SelectData(DATA_WORDS[one_of(DATA_WORDS).lower()])
        case _:
            return AskStatus()
