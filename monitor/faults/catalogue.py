"""The faults there are, from which commands, screens, campaigns and truth files take theirs.

A fault is written `plane.what@hyperframe:key=value,key=value`. The declarations stand by plane in the modules
beside this one; entries that are legal, if odd, are here too: nothing may move because of them.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from types import MappingProxyType

from decoders.linerates import LineRateOption

from ..arguments import MOST_COUNTED, MOST_DIGITS
from ..errors import InputError
from .block_faults import BLOCK_FAULTS, with_blocks
from .channel_faults import CHANNEL_FAULTS
from .kinds import Fault, FaultKind, Parameter
from .l1_faults import L1_FAULTS
from .line_faults import DELAY_FAULTS, LINE_FAULTS
from .payload_faults import IQ_FAULTS, OCTET_FAULTS
from .sync_faults import SYNC_FAULTS

__all__ = ["CATALOGUE", "kind_named", "kinds_for", "parse_fault", "parse_values"]

_KINDS = with_blocks(LINE_FAULTS + SYNC_FAULTS) + L1_FAULTS + CHANNEL_FAULTS + OCTET_FAULTS + IQ_FAULTS
_KINDS += with_blocks(DELAY_FAULTS) + BLOCK_FAULTS

CATALOGUE: Mapping[str, FaultKind] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every fault by its name."""


def kinds_for(option: LineRateOption, *, fec: bool = False, version: int = 1) -> Mapping[str, FaultKind]:
    """Every fault by its name that a link of an option can have, with RS-FEC or without and of a protocol version."""
    return MappingProxyType(
        {
            name: kind
            for name, kind in CATALOGUE.items()
            if kind.refused(option) is None
            and (fec or kind.plane != "fec")
            and (version == 2 or kind.plane != "scrambling")
        }
    )


def kind_named(name: str) -> FaultKind:
    """The declaration of that name; InputError names the nearest one."""
    kind = CATALOGUE.get(name)
    if kind is None:
        near = difflib.get_close_matches(name, CATALOGUE, 1)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(CATALOGUE)}"
        raise InputError(f"fault {name!r} does not exist", hint=hint)
    return kind


def parse_fault(text: str) -> Fault:
    """A Fault from `plane.what[@hyperframe][:key=value,...]`; InputError says what is wrong with it."""
    head, _, tail = text.strip().partition(":")
    name, at, where = head.partition("@")
    kind = kind_named(name)
    hyperframe: int | None = None
    if at:
        if not where.isdecimal():
            raise InputError(f"fault {text!r}: {where!r} after @ is not a hyperframe number")
        if len(where) > len(str(MOST_COUNTED)) or int(where) > MOST_COUNTED:
            raise InputError(f"fault {text!r}: hyperframes go up to {MOST_COUNTED}")
        hyperframe = int(where)
    items: dict[str, str] = {}
    for item in filter(None, tail.split(",")):
        key, equals, value = item.partition("=")
        if key.strip() == "segment":
            raise InputError(
                f"fault {name}: there are no segments here", hint="those of emulated:chain are named so"
            )
        if not equals:
            raise InputError(f"fault {name}: {item!r} is not key=value of its parameters ({_names(kind)})")
        items[key.strip()] = value
    return Fault(kind, hyperframe, parse_values(kind, items))


def parse_values(kind: FaultKind, items: Mapping[str, str | int]) -> Mapping[str, int]:
    """Every parameter's value, the default where `items` has none; InputError names what cannot be."""
    known = {p.name: p for p in kind.parameters}
    values = {p.name: p.default for p in kind.parameters}
    for key, value in items.items():
        if key not in known:
            raise InputError(f"fault {kind.name}: {key!r} is none of its parameters ({_names(kind)})")
        values[key] = _number(kind.name, known[key], value)
    return MappingProxyType(values)


def _names(kind: FaultKind) -> str:
    return ", ".join(p.name for p in kind.parameters) or "none"


def _number(name: str, parameter: Parameter, text: str | int) -> int:
    if isinstance(text, str) and len(text) > MOST_DIGITS:
        raise InputError(
            f"fault {name}: {parameter.name}={text[:20]}… is out of range {parameter.low} to {parameter.high}"
        )
    try:
        value = int(text.strip(), 0) if isinstance(text, str) else text
    except ValueError:
        raise InputError(f"fault {name}: {parameter.name}={text} is not a whole number") from None
    if not parameter.low <= value <= parameter.high:
        raise InputError(
            f"fault {name}: {parameter.name}={value} is out of range {parameter.low} to {parameter.high}"
            + (f" {parameter.unit}" if parameter.unit else "")
        )
    return value
