"""What a fault is: its declaration, its parameters, and what must, may and must not follow from it.

A declaration says at which layer the stream is damaged, which counters move because of it and by how much, which
alarms come and go, and after how many hyperframes at the latest. Nothing here knows how the damage is done.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from decoders.events import Alarm, Origin
from decoders.linerates import LineRateOption

__all__ = [
    "PRACTICE",
    "AlarmOf",
    "Context",
    "Expectation",
    "Fault",
    "FaultKind",
    "Layer",
    "Parameter",
    "Range",
    "Values",
]

PRACTICE = "common practice, no source"

AlarmOf = tuple[Alarm, Origin]
"""An alarm and who found the defect."""
Values = Mapping[str, int]


class Layer(StrEnum):
    """Where on the way to the line a fault is put in."""

    CHANNEL = "channel"
    """The frame queue of slow or fast C&M."""
    OCTETS = "octets"
    """Octets of a built hyperframe, before line coding."""
    SYMBOLS = "symbols"
    """Ten-bit symbols, blocks or codewords, after line coding."""
    BITS = "bits"
    """Line bits: some more or some fewer."""


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
    """What a fault needs to know of the stream to say what must follow; None where it is not known.

    `following` and `preceding` are the numbers of hyperframes sent after and before the fault's own; None for
    `following` stands for a stream without end. `hfn` is the right HFN of the fault's hyperframe. `flags`: the
    receiver sees K characters and code errors. `bits`: it sees line bits and finds the word alignment itself;
    else a deserialiser aligns the words at the next K28.5. `blocks`: it sees 66-bit blocks with their headers; `fec`:
    the line has RS-FEC. Codes and version are what the link announces, `scrambling` the seed of version 2.
    """

    option: LineRateOption
    following: int | None = None
    preceding: int | None = None
    hfn: int | None = None
    flags: bool = True
    pointer_p: int | None = None
    hdlc_rate_code: int | None = None
    version: int = 1
    bits: bool = True
    blocks: bool = True
    fec: bool = False
    scrambling: int | None = None

    def at_least(self, hyperframes: int) -> bool:
        """Whether that many hyperframes follow the fault's own."""
        return self.following is None or self.following >= hyperframes

    def within_stream(self, hyperframes: int) -> int:
        """How many of `hyperframes`, counted from the fault's own, are still sent."""
        return hyperframes if self.following is None else min(hyperframes, self.following + 1)

    def edges(self, hyperframes: int) -> int:
        """Changes that a receiver sees of a value that differs for so many hyperframes; 0 = from then on."""
        begins = self.preceding is None or self.preceding > 0
        return begins + (hyperframes > 0 and self.at_least(hyperframes))

    @property
    def hdlc_octets(self) -> int:
        """Slow C&M octets a hyperframe; the fewest there can be where the rate is not known."""
        return (self.option.hdlc_octets(self.hdlc_rate_code) if self.hdlc_rate_code else None) or 2

    @property
    def ethernet_octets(self) -> int:
        """Fast C&M octets a hyperframe; the fewest there can be where p is not known."""
        return self.option.ethernet_octets(self.pointer_p or 63)


@dataclass(frozen=True, slots=True)
class Range:
    """The counters named together must move by low..high in sum."""

    counters: tuple[str, ...]
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Expectation:
    """What must follow from one fault.

    `exact`: counters and by how much each must move. `ranges`: counters whose sum is bounded. `tolerated`: counters
    that may move, and why. Every other counter must stay still. `raised` and `cleared` are the alarms to come and
    to go. `within_hyperframes`: everything shows at the latest so many hyperframes after the fault's own.
    """

    exact: Mapping[str, int] = field(default_factory=dict)
    ranges: tuple[Range, ...] = ()
    tolerated: Mapping[str, str] = field(default_factory=dict)
    raised: tuple[AlarmOf, ...] = ()
    cleared: tuple[AlarmOf, ...] = ()
    within_hyperframes: int = 1

    @property
    def benign(self) -> bool:
        """Nothing has to move."""
        return not self.exact and not any(r.low for r in self.ranges)

    @property
    def allowed(self) -> dict[str, tuple[int, int | None]]:
        """(least, most) of every counter that must or may move; most is None where there is no bound."""
        bounds: dict[str, tuple[int, int | None]] = dict.fromkeys(self.tolerated, (0, None))
        for r in self.ranges:
            low = r.low if len(r.counters) == 1 else 0
            bounds |= dict.fromkeys(r.counters, (low, r.high))
        return bounds | {name: (by, by) for name, by in self.exact.items()}


Expect = Callable[[Values, Context], Expectation]


@dataclass(frozen=True, slots=True)
class FaultKind:
    """Declaration of one fault.

    `expect` says what must follow, `expect_on_blocks` at 64B/66B where that is something else; `refused` says why the
    fault is not valid for an option. `needs_receiver`: True where the consequence depends on the traffic around the
    fault, so that whoever writes the truth must compute it; what is declared then are bounds.
    """

    name: str
    layer: Layer
    meaning: str
    source: str
    parameters: tuple[Parameter, ...]
    expect: Expect
    needs_receiver: Callable[[Values], bool] = lambda _: False
    expect_on_blocks: Expect | None = None
    refused: Callable[[LineRateOption], str | None] = lambda _: None

    @property
    def plane(self) -> str:
        return self.name.split(".")[0]

    def fault(self, hyperframe: int | None = None, **values: int) -> Fault:
        """A fault of this kind with its defaults, but for the values given."""
        chosen = {p.name: p.default for p in self.parameters} | values
        return Fault(self, hyperframe, MappingProxyType(chosen))


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

    def expectation(self, context: Context) -> Expectation:
        """Everything that must, may and must not follow."""
        expect = self.kind.expect
        if context.option.line_code == "64b66b" and self.kind.expect_on_blocks is not None:
            expect = self.kind.expect_on_blocks
        return expect(self.values, context)

    def expected(self, context: Context) -> dict[str, int]:
        """The exact part: counters that must move, and by how much."""
        return {name: by for name, by in self.expectation(context).exact.items() if by}


def moved(counters: Mapping[str, int]) -> dict[str, int]:
    """Only the counters that move."""
    return {name: by for name, by in counters.items() if by}


def because(reason: str, counters: Iterable[str]) -> dict[str, str]:
    """Tolerated counters, all for the same reason."""
    return dict.fromkeys(counters, reason)


TRAFFIC_LOST = because(
    "traffic: hyperframes between the loss of sync and its return are not read",
    (
        "hdlc_frames",
        "ethernet_frames",
        "hdlc_lost_sync",
        "ethernet_lost_sync",
        "vendor_changes",
    ),
)
"""What may differ where some hyperframes are not read."""
