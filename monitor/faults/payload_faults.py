"""Faults of vendor specific, Ctrl_AxC and reserved octets, and of the IQ data.

CPRI V7.0 clauses 4.2.7.2 (IQ data), 4.2.7.4 (reserved octets) and 4.2.7.7.3 (vendor specific). Nothing in the
frame checks IQ data: no counter moves, and only a comparison of what was sent and received shows it.
"""

from __future__ import annotations

from collections.abc import Callable

from .kinds import Context, Expectation, FaultKind, Layer, Parameter, Values
from .places import BASIC_FRAME, HYPERFRAMES, IQ_WORD, OCTET, OCTET_BIT, XS

__all__ = ["IQ_FAULTS", "OCTET_FAULTS"]


def _vendor_value(values: Values, context: Context) -> Expectation:
    lasts = values["hyperframes"]
    return Expectation({"vendor_changes": context.edges(lasts)}, within_hyperframes=max(1, lasts))


def _flip(counter: str) -> Callable[[Values, Context], Expectation]:
    return lambda values, context: Expectation({counter: context.edges(1)})


def _nothing(values: Values, context: Context) -> Expectation:
    return Expectation()


def _subchannel(low: int, high: int, default: int) -> Parameter:
    return Parameter("ns", low, high, default, "", "subchannel Ns")


_UNCHECKED = "CPRI clause 4.2.7.2: nothing checks IQ, so no counter moves"

OCTET_FAULTS = (
    FaultKind(
        "vendor.value",
        Layer.OCTETS,
        "replace the value of one vendor specific octet",
        "CPRI clause 4.2.7.7.3",
        (
            _subchannel(16, 63, 20),
            XS,
            OCTET,
            Parameter("value", 0, 255, 0xA5, "", "value sent"),
            Parameter("hyperframes", 0, 100000, 0, "hyperframes", "duration; 0 = until the end"),
        ),
        _vendor_value,
    ),
    FaultKind(
        "vendor.flip",
        Layer.OCTETS,
        "invert one bit of a vendor specific octet in one hyperframe",
        "CPRI clause 4.2.7.7.3",
        (_subchannel(16, 63, 20), XS, OCTET, OCTET_BIT),
        _flip("vendor_changes"),
    ),
    FaultKind(
        "ctrl_axc.flip",
        Layer.OCTETS,
        "invert one bit of a Ctrl_AxC octet in one hyperframe",
        "CPRI V4.1 and later, clause 4.2.7.4 (from memory)",
        (_subchannel(4, 7, 5), XS, OCTET, OCTET_BIT),
        _flip("ctrl_axc_changes"),
    ),
    FaultKind(
        "reserved.flip",
        Layer.OCTETS,
        "invert one bit of a reserved octet in one hyperframe",
        "CPRI clause 4.2.7.4: sent as 0 (from memory)",
        (_subchannel(0, 15, 9), XS, OCTET, OCTET_BIT),
        _flip("reserved_changes"),
    ),
)

IQ_FAULTS = (
    FaultKind(
        "iq.flip",
        Layer.OCTETS,
        "invert one bit of the IQ data",
        _UNCHECKED,
        (BASIC_FRAME, IQ_WORD, OCTET, OCTET_BIT),
        _nothing,
    ),
    FaultKind(
        "iq.stuck",
        Layer.OCTETS,
        "hold one bit of the IQ data block in every basic frame",
        _UNCHECKED,
        (IQ_WORD, OCTET, OCTET_BIT, Parameter("level", 0, 1, 1, "", "level it is held at"), HYPERFRAMES),
        _nothing,
    ),
    FaultKind(
        "iq.constant",
        Layer.OCTETS,
        "replace every octet of the IQ data by one value",
        _UNCHECKED,
        (Parameter("value", 0, 255, 0, "", "value sent"), HYPERFRAMES),
        _nothing,
    ),
    FaultKind(
        "iq.shift",
        Layer.OCTETS,
        "move the IQ data of every basic frame by some bits, as a wrong container offset does",
        _UNCHECKED,
        (Parameter("bits", -15, 15, 1, "bits", "positive: later in the basic frame"), HYPERFRAMES),
        _nothing,
    ),
    FaultKind(
        "iq.swap",
        Layer.OCTETS,
        "exchange the bits of I and Q",
        _UNCHECKED,
        (HYPERFRAMES,),
        _nothing,
    ),
)
