"""The faults there are: one declaration each, from which commands, screens and truth files take theirs.

A fault is written `plane.what@hyperframe:key=value,key=value`. Each names the layer at which it damages the
stream, its parameters with units and ranges, and the counters that must move because of it.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from decoders.linerates import LineRateOption

from ..errors import InputError

__all__ = ["CATALOGUE", "Context", "Fault", "FaultKind", "Layer", "Parameter", "parse_fault"]


class Layer(StrEnum):
    """Where on the way to the line a fault is put in."""

    CHANNEL = "channel"
    """The frame queue of slow or fast C&M."""
    OCTETS = "octets"
    """Octets of a built hyperframe, before line coding."""
    SYMBOLS = "symbols"
    """Ten-bit symbols, after line coding."""
    BITS = "bits"
    """Packed line bits."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter: whole number low..high in `unit`."""

    name: str
    low: int
    high: int
    default: int
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Context:
    """What a fault needs to know of the stream to say what must follow.

    `following` is the number of hyperframes sent after the fault's own; None where the stream has no end.
    """

    option: LineRateOption
    following: int | None = None

    def at_least(self, hyperframes: int) -> bool:
        return self.following is None or self.following >= hyperframes


Values = Mapping[str, int]
Expectation = Callable[[Values, Context], dict[str, int]]


@dataclass(frozen=True, slots=True)
class FaultKind:
    """Declaration of one fault.

    `expected` gives the counters that must move and by how much; no other may. `needs_receiver` says: True where
    the consequence depends on the traffic around it, so that it is computed and not declared.
    """

    name: str
    layer: Layer
    meaning: str
    source: str
    parameters: tuple[Parameter, ...]
    expected: Expectation
    needs_receiver: Callable[[Values], bool] = lambda _: False

    @property
    def plane(self) -> str:
        return self.name.split(".")[0]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault asked for: its kind, hyperframe (None = the next), and every parameter's value."""

    kind: FaultKind
    hyperframe: int | None
    values: Values

    @property
    def text(self) -> str:
        at = "" if self.hyperframe is None else f"@{self.hyperframe}"
        values = ",".join(f"{key}={value}" for key, value in self.values.items())
        return f"{self.kind.name}{at}{':' if values else ''}{values}"

    @property
    def needs_receiver(self) -> bool:
        return self.kind.needs_receiver(self.values)

    def expected(self, context: Context) -> dict[str, int]:
        return self.kind.expected(self.values, context)


_BASIC_FRAME = Parameter("x", 0, 255, 100, "", "basic frame X")
_WORD = Parameter("w", 0, 15, 5, "", "word W (0 is the control word)")
_OCTET = Parameter("y", 0, 15, 0, "", "octet Y of the word")
_SYMBOL_BIT = Parameter("bit", 0, 9, 3, "", "bit of the symbol, 0 = a")


def _there_and_back(counter: str) -> Expectation:
    def expected(values: Values, context: Context) -> dict[str, int]:
        return {counter: 2 if context.at_least(1) else 1}

    return expected


def _hfn(values: Values, context: Context) -> dict[str, int]:
    if values["value"] > 149:
        return {"hfn_invalid": 1}
    return {"hfn_discontinuities": 2 if context.at_least(1) else 1}


def _vendor_value(values: Values, context: Context) -> dict[str, int]:
    stays = values["hyperframes"] == 0 or not context.at_least(values["hyperframes"])
    return {"vendor_changes": 1 if stays else 2}


_KINDS = (
    FaultKind(
        "line.flip",
        Layer.SYMBOLS,
        "turn over one line bit",
        "IEEE 802.3 clause 36.2.4.6: one flip shows as one or two code errors",
        (_BASIC_FRAME, _WORD, _OCTET, _SYMBOL_BIT),
        lambda v, c: {},
        lambda v: True,
    ),
    FaultKind(
        "line.violation",
        Layer.SYMBOLS,
        "send a symbol that is in neither column of the code",
        "IEEE 802.3 clause 36.2.4.6; LOS from 16 in one hyperframe: CPRI clause 4.2.10.2",
        (
            _BASIC_FRAME,
            _WORD,
            _OCTET,
            Parameter("count", 1, 64, 1, "symbols", "how many, one in each of successive basic frames"),
        ),
        lambda v, c: {"code_violations": v["count"]},
        lambda v: v["count"] >= 16 or v["w"] == 0,
    ),
    FaultKind(
        "line.disparity",
        Layer.SYMBOLS,
        "turn over the sender's running disparity once",
        "IEEE 802.3 clause 36.2.4.4: one disparity error, then both agree again",
        (_BASIC_FRAME, _WORD, _OCTET),
        lambda v, c: {"disparity_errors": 1},
    ),
    FaultKind(
        "line.slip",
        Layer.BITS,
        "insert (1) or delete (-1) one line bit",
        "CPRI clause 4.2.10: LOS and LOF, then alignment at another bit position",
        (
            Parameter("x", 0, 200, 100, "", "basic frame X in which it happens"),
            Parameter("bits", -1, 1, 1, "bit", "1 inserts, -1 deletes"),
        ),
        lambda v, c: {"los_events": 1, "lof_events": 1, "realignments": 1},
        lambda v: True,
    ),
    FaultKind(
        "sync.comma",
        Layer.OCTETS,
        "send D16.2 in place of the sync byte K28.5",
        "CPRI clause 4.2.9, Fig. 26: three in a row lose sync",
        (Parameter("count", 1, 16, 1, "hyperframes", "in how many successive hyperframes"),),
        lambda v, c: {"missed_sync_bytes": v["count"]} if v["count"] < 3 else {"lof_events": 1},
        lambda v: v["count"] >= 3,
    ),
    FaultKind(
        "sync.hfn",
        Layer.OCTETS,
        "send another HFN in one hyperframe",
        "CPRI clause 4.2.7.3: HFN counts 0 to 149",
        (Parameter("value", 0, 255, 200, "", "HFN sent"),),
        _hfn,
    ),
    FaultKind(
        "sync.bfn",
        Layer.OCTETS,
        "send another BFN in one hyperframe",
        "CPRI clause 4.2.7.3: BFN is the same in a whole 10 ms frame",
        (Parameter("xor", 1, 4095, 0x010, "", "bits of BFN turned over"),),
        _there_and_back("bfn_discontinuities"),
    ),
    FaultKind(
        "hdlc.fcs",
        Layer.CHANNEL,
        "send one HDLC frame with a wrong FCS",
        "ISO/IEC 13239: FCS-16",
        (Parameter("xor", 1, 0xFFFF, 0x0001, "", "bits of the FCS turned over"),),
        lambda v, c: {"hdlc_fcs_errors": 1},
    ),
    FaultKind(
        "hdlc.abort",
        Layer.CHANNEL,
        "break one HDLC frame off with seven ones",
        "ISO/IEC 13239: abort",
        (Parameter("after", 2, 64, 4, "octets", "octets of the frame sent before"),),
        lambda v, c: {"hdlc_aborts": 1},
    ),
    FaultKind(
        "ethernet.fcs",
        Layer.CHANNEL,
        "send one Ethernet frame with a wrong FCS",
        "IEEE 802.3 clause 3.2.9",
        (Parameter("xor", 1, 0xFFFFFFFF, 0x00000001, "", "bits of the FCS turned over"),),
        lambda v, c: {"ethernet_fcs_errors": 1},
    ),
    FaultKind(
        "ethernet.code",
        Layer.CHANNEL,
        "put a 4B/5B code group that is H or invalid into one Ethernet frame",
        "IEEE 802.3 table 24-1",
        (
            Parameter("at", 1, 120, 40, "nibbles", "place, counted from the SFD on"),
            Parameter("group", 0, 31, 0b00100, "", "code group, first bit on the line as its highest"),
        ),
        lambda v, c: {"ethernet_code_errors": 1},
    ),
    FaultKind(
        "vendor.value",
        Layer.OCTETS,
        "send another value in one vendor specific octet",
        "CPRI clause 4.2.7.7.3",
        (
            Parameter("ns", 16, 63, 20, "", "subchannel Ns"),
            Parameter("xs", 0, 3, 1, "", "word index Xs"),
            Parameter("y", 0, 15, 0, "", "octet Y"),
            Parameter("value", 0, 255, 0xA5, "", "value sent"),
            Parameter("hyperframes", 0, 100000, 0, "hyperframes", "for how long; 0 = from then on"),
        ),
        _vendor_value,
    ),
    FaultKind(
        "iq.flip",
        Layer.OCTETS,
        "turn over one bit of the IQ data",
        "CPRI clause 4.2.7.2: nothing checks IQ, so no counter moves",
        (
            _BASIC_FRAME,
            Parameter("w", 1, 15, 5, "", "word W"),
            _OCTET,
            Parameter("bit", 0, 7, 0, "", "bit of the octet"),
        ),
        lambda v, c: {},
    ),
)

CATALOGUE: Mapping[str, FaultKind] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every fault by its name."""


def parse_fault(text: str) -> Fault:
    """A Fault from `plane.what[@hyperframe][:key=value,...]`; InputError says what is wrong with it."""
    head, _, tail = text.strip().partition(":")
    name, at, where = head.partition("@")
    kind = CATALOGUE.get(name)
    if kind is None:
        near = difflib.get_close_matches(name, CATALOGUE, 1)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(CATALOGUE)}"
        raise InputError(f"fault {name!r} does not exist", hint=hint)
    hyperframe: int | None = None
    if at:
        if not where.isdecimal():
            raise InputError(f"fault {text!r}: {where!r} after @ is not a hyperframe number")
        hyperframe = int(where)
    values = {p.name: p.default for p in kind.parameters}
    known = {p.name: p for p in kind.parameters}
    for item in filter(None, tail.split(",")):
        key, equals, value = item.partition("=")
        parameter = known.get(key.strip())
        if not equals or parameter is None:
            names = ", ".join(known) or "none"
            raise InputError(f"fault {name}: {item!r} is not key=value of its parameters ({names})")
        values[parameter.name] = _number(name, parameter, value)
    return Fault(kind, hyperframe, MappingProxyType(values))


def _number(name: str, parameter: Parameter, text: str) -> int:
    try:
        value = int(text.strip(), 0)
    except ValueError:
        raise InputError(f"fault {name}: {parameter.name}={text} is not a whole number") from None
    if not parameter.low <= value <= parameter.high:
        raise InputError(
            f"fault {name}: {parameter.name}={value} is out of range {parameter.low} to {parameter.high}"
            + (f" {parameter.unit}" if parameter.unit else "")
        )
    return value
