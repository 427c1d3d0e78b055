"""Faults of the L1 inband protocol: alarm and request bits, pointer p, protocol version, HDLC rate code.

CPRI V7.0 clauses 4.2.7.6 and 4.2.7.7. A pointer or rate code is taken over after four hyperframes, a version after
five, a reset request stands for ten (from memory, medium confidence).
"""

from __future__ import annotations

from collections.abc import Callable

from decoders.counters import COUNTERS
from decoders.events import Alarm, Origin

from . import standard as std
from .kinds import AlarmOf, Context, Expectation, FaultKind, Layer, Parameter, Range, Values, because, moved
from .places import HYPERFRAMES

__all__ = ["L1_FAULTS"]


def _alarm_octet(mask: int, values: Values, context: Context) -> Expectation:
    known = mask & 0x1F
    lasts = values["hyperframes"]
    ends = context.at_least(lasts)
    requested = (
        bool(mask & std.ALARM_MASKS["reset"]) and context.within_stream(lasts) >= std.RESET_HYPERFRAMES
    )
    exact = moved({"l1_alarm_changes": known.bit_count() * (1 + ends), "reset_requests": int(requested)})
    alarms: tuple[AlarmOf, ...] = tuple(
        (Alarm(name), Origin.REMOTE) for name, bit in std.ALARM_MASKS.items() if known & bit
    )
    return Expectation(exact, raised=alarms, cleared=alarms if ends else (), within_hyperframes=max(1, lasts))


def _bit(name: str) -> Callable[[Values, Context], Expectation]:
    return lambda values, context: _alarm_octet(std.ALARM_MASKS[name], values, context)


def _alarm(name: str, meaning: str, source: str) -> FaultKind:
    lasts = Parameter("hyperframes", 1, 100000, 1, "hyperframes", "duration")
    return FaultKind(f"l1.{name}", Layer.OCTETS, meaning, source, (lasts,), _bit(name))


def _other_words(why: str, bounded: set[str]) -> dict[str, str]:
    """What may move while a C&M channel is read elsewhere than it is."""
    names = ("hdlc_", "ethernet_", "vendor_", "reserved_")
    return because(why, (c for c in COUNTERS if c.startswith(names) and c not in bounded))


def _pointer(values: Values, context: Context) -> Expectation:
    pointer, read = values["value"] & 0x3F, context.within_stream(values["hyperframes"])
    exact = {} if std.pointer_valid(pointer) else {"pointer_invalid": read}
    if read < std.TAKEN_OVER or pointer == context.pointer_p:
        return Expectation(exact, within_hyperframes=values["hyperframes"])
    why = "fast C&M and vendor specific octets are read elsewhere than they are"
    tolerated = {c: w for c, w in _other_words(why, set()).items() if c.startswith(("ethernet", "vendor"))}
    return Expectation(exact, tolerated=tolerated, within_hyperframes=values["hyperframes"] + std.TAKEN_OVER)


def _rate(values: Values, context: Context) -> Expectation:
    code, read = values["value"] & 7, context.within_stream(values["hyperframes"])
    exact = {} if std.rate_valid(context.option.name, code) else {"hdlc_rate_invalid": read}
    if read < std.TAKEN_OVER or code == context.hdlc_rate_code:
        return Expectation(exact, within_hyperframes=values["hyperframes"])
    why = "slow C&M is read elsewhere than it is; what is left of its subchannel counts as reserved"
    tolerated = {c: w for c, w in _other_words(why, set(exact)).items() if c.startswith(("hdlc", "reserved"))}
    return Expectation(exact, tolerated=tolerated, within_hyperframes=values["hyperframes"] + std.TAKEN_OVER)


def _version(values: Values, context: Context) -> Expectation:
    version = values["value"]
    if std.version_valid(context.option.name, version):
        return Expectation()
    read = context.within_stream(values["hyperframes"])
    return Expectation({"version_unknown": read}, within_hyperframes=values["hyperframes"])


def _reserved_bits(values: Values, context: Context) -> Expectation:
    return Expectation(ranges=(Range(("l1_alarm_changes", "reset_requests"), 0, 0),))


_Z130 = "CPRI clause 4.2.7.6, Table 13"

L1_FAULTS = (
    _alarm(
        "reset", "set the reset bit", "CPRI clause 4.2.7.6.1: a request is 10 hyperframes long (from memory)"
    ),
    _alarm("rai", "set the remote alarm indication", _Z130),
    _alarm("sdi", "set the SAP defect indication", _Z130),
    _alarm("los", "report loss of signal", _Z130),
    _alarm("lof", "report loss of frame", _Z130),
    FaultKind(
        "l1.alarms",
        Layer.OCTETS,
        "set several bits of Z.130.0 at once",
        f"{_Z130}; bits 5 to 7 are reserved and to be ignored",
        (
            Parameter("mask", 1, 255, 0x18, "", "bits set: reset 1, RAI 2, SDI 4, LOS 8, LOF 16"),
            HYPERFRAMES,
        ),
        lambda v, c: _alarm_octet(v["mask"], v, c),
    ),
    FaultKind(
        "l1.reserved",
        Layer.OCTETS,
        "set reserved bits beside the alarms, pointer, rate code and BFN; a receiver ignores them",
        f"{_Z130}; clause 4.2.7.4: reserved bits are not looked at",
        (
            Parameter(
                "word",
                0,
                3,
                0,
                "",
                "0 = Z.130.0 bits 7..5, 1 = Z.194.0 bits 7..6, 2 = Z.66.0 bits 7..3, 3 = Z.192.0 bits 7..4",
            ),
            HYPERFRAMES,
        ),
        _reserved_bits,
    ),
    FaultKind(
        "l1.pointer",
        Layer.OCTETS,
        "replace pointer p",
        "CPRI clause 4.2.7.7.2: 0 or 20 to 63; taken over after 4 hyperframes (from memory)",
        (
            Parameter("value", 0, 255, 12, "", "octet Z.194.0 sent; its low six bits are p"),
            HYPERFRAMES,
        ),
        _pointer,
        lambda v: v["hyperframes"] >= std.TAKEN_OVER,
    ),
    FaultKind(
        "l1.version",
        Layer.OCTETS,
        "replace the protocol version",
        "CPRI clause 4.2.7.6: 1, or 2 (scrambled) for options 5, 6 and 7",
        (Parameter("value", 0, 255, 3, "", "octet Z.2.0 sent"), HYPERFRAMES),
        _version,
    ),
    FaultKind(
        "l1.rate",
        Layer.OCTETS,
        "replace the HDLC rate code",
        "CPRI clause 4.2.7.7.1, Table 11; taken over after 4 hyperframes (from memory)",
        (
            Parameter("value", 0, 255, 7, "", "octet Z.66.0 sent; its low three bits are the code"),
            HYPERFRAMES,
        ),
        _rate,
        lambda v: v["hyperframes"] >= std.TAKEN_OVER,
    ),
)
