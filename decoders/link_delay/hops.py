"""Chains and trees of radio heads: delay to each, skew between them, buffers, and the margin to a budget.

CPRI V7.0 clause 4.2.9 (multi-hop); the uncertainties of JCGM 100:2008. What two heads have in common, such as the
fibre to the first head of a chain, drops out of the skew between them, so each head's delay is kept as a sum
over independent sources of doubt. Pure arithmetic on a plan: measures nothing, reads no file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from types import MappingProxyType

from ..errors import SettingsError
from ..linerates import LineRateOption, option_named
from .delay import (
    FIBRE_DRIFT_PS_PER_KM_K,
    GROUP_INDEX,
    TC_NS,
    clock_bits,
    clock_period_ns,
    coax_delay_ns,
    fibre_delay_ns,
    unit_interval_ns,
)

__all__ = [
    "BUDGETS",
    "Budget",
    "CableKnownBy",
    "ChainDelays",
    "HeadDelay",
    "LinkEffect",
    "Medium",
    "RadioHead",
    "chain_delays",
]

COVERAGE_FACTOR = 2.0
_ROOT_3 = math.sqrt(3.0)


class Medium(StrEnum):
    FIBRE = "fibre"
    COAX = "coax"


class CableKnownBy(StrEnum):
    """How a link's delay is known: by measuring (T14 - Toffset)/2 in the link, or from its length."""

    MEASUREMENT = "measurement"
    LENGTH = "length"


@dataclass(frozen=True, slots=True)
class Budget:
    """A limit on the time alignment error between transmitters, and where it stands."""

    limit_ns: float
    source: str


BUDGETS: Mapping[str, Budget] = MappingProxyType(
    {
        "lte-mimo": Budget(65.0, "3GPP TS 36.104 clause 6.5.3, MIMO or transmit diversity; from memory"),
        "lte-ca-contiguous": Budget(
            130.0, "3GPP TS 36.104 clause 6.5.3, intra-band contiguous CA; from memory"
        ),
        "lte-ca-noncontiguous": Budget(
            260.0, "3GPP TS 36.104 clause 6.5.3, intra-band non-contiguous CA; from memory"
        ),
        "lte-ca-inter": Budget(260.0, "3GPP TS 36.104 clause 6.5.3, inter-band CA; from memory"),
        "nr-mimo": Budget(65.0, "3GPP TS 38.104 clause 6.5.3, MIMO, BS type 1-C and 1-H; from memory"),
        "nr-ca-contiguous": Budget(
            260.0, "3GPP TS 38.104 clause 6.5.3, intra-band contiguous CA; from memory"
        ),
        "nr-ca-other": Budget(3000.0, "3GPP TS 38.104 clause 6.5.3, other CA; from memory"),
    }
)
"""Time alignment error limits by the name a plan uses."""


@dataclass(frozen=True, slots=True)
class RadioHead:
    """A head and the link that leads to it from `after` (the controller or another head).

    `through_*` is what the head adds for those behind it in each direction: whole basic frames and a remainder;
    `up_*` where the uplink differs (None: as down). Tolerances are half-widths, anywhere within alike.
    `ns_per_m_tolerance` is relative and common to all links of one medium. `resolution_ui` is that of the link's
    delay counter, None for whole clocks.
    """

    name: str
    after: str
    option: str
    length_m: float
    medium: Medium = Medium.FIBRE
    wavelength_nm: int = 1310
    group_index: float | None = None
    velocity_factor: float = 0.70
    known_by: CableKnownBy = CableKnownBy.MEASUREMENT
    length_tolerance_m: float = 0.5
    ns_per_m_tolerance: float = 0.001
    resolution_ui: float | None = None
    temperature_k: float = 0.0
    through_basic_frames: int = 0
    through_remainder_ns: float = 0.0
    up_through_basic_frames: int | None = None
    up_through_remainder_ns: float | None = None
    through_tolerance_ns: float = 0.0
    toffset_ns: float = 0.0
    t2a_ns: float = 0.0
    ta3_ns: float = 0.0
    antenna_tolerance_ns: float = 0.0

    @property
    def line(self) -> LineRateOption:
        return option_named(self.option)

    @property
    def ns_per_m(self) -> float:
        if self.medium is Medium.COAX:
            return coax_delay_ns(1.0, self.velocity_factor)
        index = GROUP_INDEX[self.wavelength_nm] if self.group_index is None else self.group_index
        return fibre_delay_ns(1.0, index)

    @property
    def cable_ns(self) -> float:
        """One way."""
        return self.length_m * self.ns_per_m

    @property
    def through_down_ns(self) -> float:
        return self.through_basic_frames * TC_NS + self.through_remainder_ns

    @property
    def through_up_ns(self) -> float:
        frames, rest = self.up_through_basic_frames, self.up_through_remainder_ns
        return (self.through_basic_frames if frames is None else frames) * TC_NS + (
            self.through_remainder_ns if rest is None else rest
        )

    def cable_doubts_ns(self) -> dict[str, float]:
        """Standard uncertainties of the link's one-way delay by source."""
        doubts = {}
        if self.known_by is CableKnownBy.MEASUREMENT:
            # The round trip is counted; half of it is the one-way delay.
            bits = clock_bits(self.line) if self.resolution_ui is None else self.resolution_ui
            doubts[f"count of the link to {self.name}"] = bits * unit_interval_ns(self.line) / 4 / _ROOT_3
        else:
            doubts[f"length of the link to {self.name}"] = self.length_tolerance_m * self.ns_per_m / _ROOT_3
            doubts[f"delay of a metre of {self.medium}"] = self.ns_per_m_tolerance * self.cable_ns / _ROOT_3
        if self.medium is Medium.FIBRE and self.temperature_k:
            drift = self.length_m * self.temperature_k * FIBRE_DRIFT_PS_PER_KM_K * 1e-6
            doubts[f"temperature of the link to {self.name}"] = drift / _ROOT_3
        return doubts


@dataclass(frozen=True, slots=True)
class HeadDelay:
    """One head: controller to antenna, controller to antenna and back, and what it must wait for the slowest.

    `round_trip_ns` has no Toffset in it; `t14_ns` is what the controller sees, with the head's Toffset.
    `doubts_ns` are the standard uncertainties of `one_way_ns` by independent source.
    """

    head: RadioHead
    hops: int
    one_way_ns: float
    round_trip_ns: float
    t14_ns: float
    buffer_ns: float
    doubts_ns: Mapping[str, float]

    @property
    def u_ns(self) -> float:
        """Standard uncertainty of `one_way_ns`."""
        return math.sqrt(math.fsum(u * u for u in self.doubts_ns.values()))


@dataclass(frozen=True, slots=True)
class LinkEffect:
    """What touching the link to `name` does to the heads behind it.

    One-way change when its alignment offset is not compensated (up to the last position), when it comes back one
    clock away, and for each metre of another cable.
    """

    name: str
    heads: tuple[str, ...]
    uncompensated_ns: float
    one_clock_ns: float
    ns_per_m: float


@dataclass(frozen=True, slots=True)
class ChainDelays:
    """Delays of a plan. `skew_ns` is between the nearest and the farthest head before buffering.

    `error_ns` is the expanded uncertainty (k = 2) of the worst pair after buffering, named in `worst`.
    """

    heads: tuple[HeadDelay, ...]
    skew_ns: float
    error_ns: float
    worst: tuple[str, str] | None
    budget: Budget
    effects: tuple[LinkEffect, ...]

    @property
    def margin_ns(self) -> float:
        return self.budget.limit_ns - self.error_ns


def chain_delays(
    controller: str, heads: Sequence[RadioHead], budget: Budget, buffer_step_ns: float = 0.0
) -> ChainDelays:
    """Delays of a chain or tree; SettingsError for one that does not hang together.

    `buffer_step_ns` is the step in which a head can delay its signal.
    """
    by_name = {head.name: head for head in heads}
    if not heads:
        raise SettingsError("there is no radio head")
    if len(by_name) != len(heads) or controller in by_name:
        raise SettingsError("two of the boards have the same name")
    for head in heads:
        if not 0 <= head.length_m < math.inf:
            raise SettingsError(f"length {head.length_m:g} m of the link to {head.name} is no length")
    paths = {head.name: _path(head, by_name, controller) for head in heads}
    one_way = {head.name: _one_way(paths[head.name]) for head in heads}
    slowest = max(one_way.values())
    found = []
    for head in heads:
        path = paths[head.name]
        doubts = _doubts(path)
        if buffer_step_ns:
            doubts[f"buffer of {head.name}"] = buffer_step_ns / 2 / _ROOT_3
        cables = 2 * math.fsum(h.cable_ns for h in path)
        throughs = math.fsum(h.through_down_ns + h.through_up_ns for h in path[:-1])
        found.append(
            HeadDelay(
                head=head,
                hops=len(path),
                one_way_ns=one_way[head.name],
                round_trip_ns=cables + throughs + head.t2a_ns + head.ta3_ns,
                t14_ns=cables + throughs + head.toffset_ns,
                buffer_ns=slowest - one_way[head.name],
                doubts_ns=doubts,
            )
        )
    error, worst = 0.0, None
    for a, b in combinations(found, 2):
        sources = {*a.doubts_ns, *b.doubts_ns}
        variance = math.fsum((a.doubts_ns.get(s, 0.0) - b.doubts_ns.get(s, 0.0)) ** 2 for s in sources)
        expanded = COVERAGE_FACTOR * math.sqrt(variance)
        if worst is None or expanded > error:
            error, worst = expanded, (a.head.name, b.head.name)
    effects = tuple(
        LinkEffect(
            head.name,
            tuple(name for name, path in paths.items() if head in path),
            (clock_bits(head.line) - 1) * unit_interval_ns(head.line),
            clock_period_ns(head.line),
            head.ns_per_m,
        )
        for head in heads
    )
    return ChainDelays(tuple(found), slowest - min(one_way.values()), error, worst, budget, effects)


def _path(head: RadioHead, by_name: Mapping[str, RadioHead], controller: str) -> tuple[RadioHead, ...]:
    """Heads from the controller to this one, itself last."""
    path = [head]
    while path[0].after != controller:
        before = by_name.get(path[0].after)
        if before is None:
            raise SettingsError(f"{path[0].name} comes after {path[0].after!r}, which is not in the plan")
        if before in path:
            names = " -> ".join(h.name for h in [before, *path])
            raise SettingsError(f"the links make a loop: {names}")
        path.insert(0, before)
    return tuple(path)


def _one_way(path: Sequence[RadioHead]) -> float:
    cables = math.fsum(h.cable_ns for h in path)
    return cables + math.fsum(h.through_down_ns for h in path[:-1]) + path[-1].t2a_ns


def _doubts(path: Sequence[RadioHead]) -> dict[str, float]:
    """Standard uncertainties of the one-way delay by source; a common source adds up along the path."""
    doubts: dict[str, float] = {}
    for head in path:
        for source, u in head.cable_doubts_ns().items():
            doubts[source] = doubts.get(source, 0.0) + u
    for head in path[:-1]:
        if head.through_tolerance_ns:
            doubts[f"through delay of {head.name}"] = head.through_tolerance_ns / _ROOT_3
    last = path[-1]
    if last.antenna_tolerance_ns:
        doubts[f"T2a of {last.name}"] = last.antenna_tolerance_ns / _ROOT_3
    return doubts
