"""The cross-talk matrix: which counter each fault must move, which it may, and which must stay still.

Made from what the catalogue declares, so that documentation and tests show the same table. It measures nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from decoders.counters import COUNTERS
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named

from .catalogue import kinds_for
from .kinds import Context, Fault

__all__ = ["Mark", "cross_talk_matrix", "marks"]


class Mark(StrEnum):
    """What a fault does to a counter."""

    MUST = "must"
    MAY = "may"
    STILL = ""


def marks(fault: Fault, context: Context) -> dict[str, Mark]:
    """Every counter's mark for one fault."""
    expectation = fault.expectation(context)
    row = dict.fromkeys(COUNTERS, Mark.STILL)
    for name, (least, most) in expectation.allowed.items():
        if least:
            row[name] = Mark.MUST
        elif most != 0:
            row[name] = Mark.MAY
    return row


def cross_talk_matrix(
    option: LineRateOption | str = "2", *, pointer_p: int = 40, hdlc_rate_code: int = 3, fec: bool = False
) -> Mapping[str, Mapping[str, Mark]]:
    """fault -> counter -> Mark, in the order of the catalogue and of the counters; defaults, mid-stream.

    Faults that are not valid for the link have no row.
    """
    line = option_named(option) if isinstance(option, str) else option
    middle = HYPERFRAMES_PER_FRAME // 2
    context = Context(line, 10_000, middle, middle, True, pointer_p, hdlc_rate_code, fec=fec)
    kinds = kinds_for(line, fec=fec)
    return MappingProxyType(
        {name: MappingProxyType(marks(kind.fault(), context)) for name, kind in kinds.items()}
    )
