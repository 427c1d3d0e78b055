"""Plain records of what a receiver says, and the events they stand for.

A record is one line of `decode --events`, `--frames` or `--vendor` as a dictionary, and what is added here for
a receiver under test: `iq_received`, `status`, `serves`, and the object of `decode --json`. What a receiver
sends is not trusted: everything that is not as documented is a RecordError with one clear line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, get_type_hints

import msgspec

from decoders import events as link_events
from decoders.counters import COUNTERS
from decoders.events import Event, FrameReceived, OctetsChanged, Plane

from ..errors import InputError
from ..text import inert

__all__ = [
    "CountersTold",
    "IqReceived",
    "Record",
    "RecordError",
    "ServesTold",
    "StatusTold",
    "events_of",
    "planes_named",
]

Record = Mapping[str, Any]
MOST_OCTETS = 1 << 20
"""Octets of one frame, or changes of one hyperframe, in a record."""
_MOST_COUNT = 1 << 62


class RecordError(InputError):
    """A record that is not as documented."""


@dataclass(frozen=True, slots=True)
class IqReceived(Event):
    """The IQ data block of one hyperframe: CRC-32 (IEEE 802.3) of the octets of W = 1 to 15 of its 256 basic
    frames, in order of transmission."""

    crc32: int


@dataclass(frozen=True, slots=True)
class StatusTold(Event):
    """What the receiver holds for true with this hyperframe decoded; None is not told.

    `l1` has names of the object `l1` of `decode --json`.
    """

    bfn: int | None = None
    hfn: int | None = None
    l1: Mapping[str, int | bool] | None = None


@dataclass(frozen=True, slots=True)
class CountersTold(Event):
    """Counters since the start, by their names of the contract, and the state of the sync machine."""

    counters: Mapping[str, int]
    state: str | None = None
    hyperframes_missed: int = 0


@dataclass(frozen=True, slots=True)
class ServesTold(Event):
    """Planes that the receiver tells of, and those of which it tells everything that arrives."""

    serves: frozenset[Plane]
    delivers: frozenset[Plane]


def _name(kind: type[Event]) -> str:
    return re.sub(r"(?<!^)(?=[A-Z])", "_", kind.__name__).lower()


_SPECIAL = frozenset((FrameReceived, OctetsChanged))
_KINDS: dict[str, type[Event]] = {
    _name(kind): kind
    for kind in [getattr(link_events, name) for name in link_events.__all__]
    if isinstance(kind, type) and issubclass(kind, Event) and kind is not Event
} | {"iq_received": IqReceived, "status": StatusTold}
_TYPES: dict[type[Event], dict[str, Any]] = {}
_OPTIONAL = frozenset(("bfn", "hfn", "l1", "left_out"))


def events_of(record: Record) -> Iterator[Event]:
    """The events that one record stands for; RecordError where it is not as documented."""
    if not isinstance(record, Mapping):
        raise RecordError(f"a record must be an object, not {_shown(record)}")
    try:
        yield from _read(record)
    except RecordError:
        raise
    except (TypeError, ValueError, KeyError, OverflowError, msgspec.ValidationError) as error:
        what = f"no field {error}" if isinstance(error, KeyError) else str(error)
        raise RecordError(f"record {_shown(dict(record))}: {inert(what)}") from None


def planes_named(names: object) -> frozenset[Plane]:
    """Planes by their names; RecordError for a name that is none."""
    if isinstance(names, str) or not isinstance(names, Sequence | frozenset | set | tuple):
        raise RecordError(f"planes must be a list of names, not {_shown(names)}")
    try:
        return frozenset(Plane(name) for name in names)
    except ValueError:
        known = ", ".join(plane.value for plane in Plane)
        raise RecordError(f"planes {_shown(sorted(map(str, names)))}: there are {known}") from None


def _read(record: Record) -> Iterator[Event]:
    name = record.get("event")
    if name is None:
        yield _without_name(record)
        return
    if name == "serves":
        serves = planes_named(record["serves"])
        delivers = planes_named(record.get("delivers", tuple(serves)))
        yield ServesTold(None, serves | delivers, delivers)
        return
    if name == "counters":
        yield _counters(record, record.get("state"))
        return
    kind = _KINDS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise RecordError(f"record {_shown(dict(record))}: no event {_shown(name)}; RECEIVERS.md names them")
    if kind is FrameReceived:
        yield _frame(record)
    elif kind is OctetsChanged:
        yield _changes(record)
    else:
        yield kind(**_values(kind, record))


def _without_name(record: Record) -> Event:
    """A line of --frames or --vendor, or the object of decode --json."""
    if "status" in record and "plane" in record:
        return _frame(record)
    if "ns" in record:
        changes = [{name: record[name] for name in ("ns", "xs", "y", "old", "new")}]
        return _changes({"hyperframe": record["hyperframe"], "plane": "vendor", "changes": changes})
    if "counters" in record:
        sync = record.get("sync", {})
        return _counters(record, sync.get("state") if isinstance(sync, Mapping) else None)
    raise RecordError(f"record {_shown(dict(record))}: it has no field event")


def _number(value: object, most: int, name: str, least: int = 0) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ValueError(f"{name} must be a number from {least} to {most}, not {_shown(value)}")
    return value


def _hyperframe(record: Record) -> int:
    return _number(record["hyperframe"], _MOST_COUNT, "hyperframe")


def _octets(value: object, name: str) -> bytes:
    if not isinstance(value, str) or len(value) > 2 * MOST_OCTETS:
        raise ValueError(f"{name} must be octets in hex, at most {MOST_OCTETS}")
    try:
        return bytes.fromhex(value)
    except ValueError:
        raise ValueError(f"{name} must be octets in hex, not {_shown(value)}") from None


def _frame(record: Record) -> FrameReceived:
    data, fcs = _octets(record["data"], "data"), _octets(record.get("fcs", ""), "fcs")
    length = _number(record.get("length", len(data) + len(fcs)), _MOST_COUNT, "length")
    return FrameReceived(
        _hyperframe(record),
        _number(record.get("bfn", 0), 4095, "bfn"),
        _number(record.get("hfn", 0), 255, "hfn"),
        Plane(record["plane"]),
        link_events.FrameStatus(record["status"]),
        data,
        fcs,
        length - len(data) - len(fcs),
    )


def _changes(record: Record) -> OctetsChanged:
    changes = record["changes"]
    if not isinstance(changes, Sequence) or isinstance(changes, str) or not 0 < len(changes) <= MOST_OCTETS:
        raise ValueError("changes must be a list of one or more")
    places, old, new = bytearray(), bytearray(), bytearray()
    for change in changes:
        places += bytes((change["ns"], change["xs"], change["y"]))
        old.append(change["old"])
        new.append(change["new"])
    return OctetsChanged(_hyperframe(record), Plane(record["plane"]), bytes(places), bytes(old), bytes(new))


def _counters(record: Record, state: object) -> CountersTold:
    told = record["counters"]
    if not isinstance(told, Mapping):
        raise ValueError("counters must be an object")
    unknown = [name for name in told if name not in COUNTERS]
    counters = {
        name: _number(value, _MOST_COUNT, name) for name, value in told.items() if name not in unknown
    }
    if state is not None and not isinstance(state, str):
        raise ValueError(f"state must be the name of a state, not {_shown(state)}")
    missed = _number(record.get("hyperframes_missed", 0), _MOST_COUNT, "hyperframes_missed")
    return CountersTold(None, counters, state, missed)


def _values(kind: type[Event], record: Record) -> dict[str, Any]:
    types = _TYPES.get(kind)
    if types is None:
        hints = get_type_hints(kind)
        types = _TYPES[kind] = {field.name: hints[field.name] for field in fields(kind)}
    out: dict[str, Any] = {}
    for name, wanted in types.items():
        if name in _OPTIONAL and name not in record:
            continue
        value = record[name]
        out[name] = _octets(value, name) if wanted is bytes else msgspec.convert(value, wanted)
    if out.get("hyperframe") is not None:
        _number(out["hyperframe"], _MOST_COUNT, "hyperframe")
    return out


def _shown(value: object) -> str:
    text = inert(repr(value))
    return text if len(text) <= 80 else text[:77] + "..."
