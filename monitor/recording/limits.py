"""When a recording ends."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from ..errors import InputError

__all__ = ["Limit", "LimitUnit", "parse_limit"]


class LimitUnit(StrEnum):
    """What a limit counts: hyperframes from the first in sync, octets of line data, or time of the source."""

    HYPERFRAMES = "hyperframes"
    OCTETS = "octets"
    NANOSECONDS = "nanoseconds"


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a recording ends by itself."""

    count: int
    unit: LimitUnit


_OCTETS = {
    "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12,
    "kib": 1 << 10, "mib": 1 << 20, "gib": 1 << 30, "tib": 1 << 40,
}  # fmt: skip
_NANOSECONDS = {"ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_LIMIT = re.compile(r"(\d+(?:\.\d+)?)\s*([a-z]*)")


def parse_limit(text: str) -> Limit:
    """`1500hf` (or `1500`) hyperframes, `64MiB` `10MB` `4096B` octets, `30s` `500ms` `5min` `1h`; InputError."""
    found = _LIMIT.fullmatch(text.strip().lower())
    if found is not None:
        number, unit = min(float(found[1]), 1e30), found[2]
        whole = "." not in found[1]
        limit = None
        if unit in ("", "hf") and whole:
            limit = Limit(int(number), LimitUnit.HYPERFRAMES)
        elif unit in _OCTETS:
            limit = Limit(round(number * _OCTETS[unit]), LimitUnit.OCTETS)
        elif unit in _NANOSECONDS:
            limit = Limit(round(number * _NANOSECONDS[unit]), LimitUnit.NANOSECONDS)
        if limit is not None and limit.count >= 1 << 60:
            raise InputError(f"limit {text!r} is more than any recording holds")
        if limit is not None and limit.count > 0:
            return limit
    raise InputError(
        f"limit {text!r} is none",
        hint="give hyperframes as 1500hf, octets as 64MiB or 10MB, time as 500ms or 30s",
    )
