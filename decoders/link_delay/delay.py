"""Link delay: clock counts, the word alignment offset, T14 and its kin, media, limits.

CPRI V7.0 clause 4.2.9: R1 and R4 are the controller's output and input, R2 and R3 the radio head's.
T12 and T34 are the two directions of the medium, Toffset is R2 to R3 within the head, T14 the round trip seen by
the controller: T14 = T12 + Toffset + T34. The event at each point is the start of the sync byte. (Formula as
published; meaning of the points from memory.)

A parallel clock of the transceiver is one character: 10 unit intervals (UI), or one block of 66 with 64B/66B.
After a reset the receiver's word boundary lies k UI before the character, k = 0..9, and its clock, its marker
and every count with them come k UI early: delay = count x clock + k x UI.

Never measures anything: it is handed counts, positions and lengths.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from ..arrays import I64
from ..errors import LayoutError, SettingsError
from ..linerates import BFN_MODULUS, CHIP_RATE_HZ, HYPERFRAMES_PER_FRAME, LineRateOption
from .uncertainty import DelayNs, rectangular, total

__all__ = [
    "COAX_NS_PER_M",
    "FIBRE_DRIFT_PS_PER_KM_K",
    "GROUP_INDEX",
    "LIMITS_NS",
    "ONE_WAY_LIMIT_NS",
    "ROUND_TRIP_LIMIT_NS",
    "TC_NS",
    "Compensation",
    "MarkerTrain",
    "antenna_round_trip",
    "cable_delay",
    "clock_bits",
    "clock_period_ns",
    "coax_delay_ns",
    "counted_delay",
    "fibre_delay_ns",
    "fibre_drift_ns",
    "marker_delays_bits",
    "multi_hop_round_trip",
    "t14",
    "unit_interval_ns",
]

TC_NS = 1e9 / CHIP_RATE_HZ
"""Tc, one chip and one basic frame: 260.4167 ns."""
ONE_WAY_LIMIT_NS = TC_NS / 32
"""R-19: accuracy of the one-way delay without the cable, +-8.138 ns."""
ROUND_TRIP_LIMIT_NS = TC_NS / 16
"""R-20 and R-21: accuracy of the round trip without the cable, and of the cable's measurement, +-16.276 ns."""
LIMITS_NS: Mapping[str, float] = MappingProxyType(
    {"R-19": ONE_WAY_LIMIT_NS, "R-20": ROUND_TRIP_LIMIT_NS, "R-21": ROUND_TRIP_LIMIT_NS}
)

SPEED_OF_LIGHT_M_PER_S = 299_792_458
GROUP_INDEX: Mapping[int, float] = MappingProxyType({1310: 1.4677, 1550: 1.4682})
"""Group index of single-mode fibre (ITU-T G.652) by wavelength in nm; from memory, fibres differ by about 0.1 %."""
COAX_NS_PER_M = 1e9 / SPEED_OF_LIGHT_M_PER_S / 0.70
"""Copper at a velocity factor of 0.70 (0.66 to 0.80 are found): common practice, no source."""
FIBRE_DRIFT_PS_PER_KM_K = 37.0
"""Change of a fibre's delay with temperature; 30 to 40 are found: common practice, no source."""


class Compensation(StrEnum):
    """What a board adds for its word alignment offset k, in UI: right, and the ways of getting it wrong."""

    CORRECT = "correct"
    """k"""
    MISSING = "missing"
    """nothing"""
    WRONG_SIGN = "wrong-sign"
    """minus k"""
    OFF_BY_ONE = "off-by-one"
    """(k + 1) mod 10: counted from the wrong bit, so that one offset of the ten is a whole character away"""
    OFF_BY_ONE_LOW = "off-by-one-low"
    """(k - 1) mod 10"""
    TWICE = "twice"
    """2 k: the board has put its line or its count right by itself, and k is added once more"""

    def applied(self, k: I64, modulus: int = 10) -> I64:
        """UI added for each of the offsets `k`, an int64 array."""
        if self is Compensation.CORRECT:
            return k
        if self is Compensation.MISSING:
            return np.zeros_like(k)
        if self is Compensation.WRONG_SIGN:
            return -k
        if self is Compensation.TWICE:
            return 2 * k
        return (k + (1 if self is Compensation.OFF_BY_ONE else -1)) % modulus


def clock_bits(option: LineRateOption) -> int:
    """UI of one parallel clock: one character, or one block of the 64B/66B options."""
    return 10 if option.line_code == "8b10b" else 66


def unit_interval_ns(option: LineRateOption) -> float:
    return 1e9 / option.line_rate_bps


def clock_period_ns(option: LineRateOption) -> float:
    """Period of the parallel clock, one character or block."""
    return clock_bits(option) * unit_interval_ns(option)


def counted_delay(
    count_clocks: float,
    alignment_offset: int,
    option: LineRateOption,
    *,
    compensation: Compensation = Compensation.CORRECT,
    resolution_ui: float | None = None,
) -> DelayNs:
    """Delay of a clock count and the alignment offset that stood while it was taken.

    The count is doubtful by half its resolution either way (rectangular); whole clocks when None.
    SettingsError for an offset that is not a position within a character or block.
    """
    bits = clock_bits(option)
    if not 0 <= alignment_offset < bits:
        raise SettingsError(f"alignment offset {alignment_offset} is outside 0 to {bits - 1}")
    added = int(compensation.applied(np.array([alignment_offset], np.int64), bits)[0])
    interval = unit_interval_ns(option)
    resolution = bits if resolution_ui is None else resolution_ui
    return rectangular((count_clocks * bits + added) * interval, resolution * interval / 2)


def t14(t12: DelayNs, toffset: DelayNs, t34: DelayNs) -> DelayNs:
    """Round trip seen by the controller (clause 4.2.9)."""
    return total((t12, toffset, t34))


def cable_delay(t14_ns: DelayNs, toffset: DelayNs, zero: DelayNs | None = None) -> DelayNs:
    """One-way delay of a medium alike in both directions: (T14 - Toffset)/2 (clause 4.2.9).

    `zero` is what the same measurement gave with the loop closed at the controller, and is taken off before.
    """
    round_trip = t14_ns - toffset
    return (round_trip if zero is None else round_trip - zero).scaled(0.5)


def antenna_round_trip(t14_ns: DelayNs, toffset: DelayNs, t2a: DelayNs, ta3: DelayNs) -> DelayNs:
    """Controller to antenna and back: T14 - Toffset + T2a + Ta3 (from memory)."""
    return total((t14_ns, toffset.scaled(-1.0), t2a, ta3))


def multi_hop_round_trip(t14_first: DelayNs, basic_frames: int, toffset_last: DelayNs) -> DelayNs:
    """Round trip controller to last head without that head: T14(1) + N Tc - Toffset(last) (clause 4.2.9).

    N is what the networking heads add to the uplink, in basic frames. SettingsError when negative.
    """
    if basic_frames < 0:
        raise SettingsError(f"N = {basic_frames} basic frames is negative")
    return total((t14_first, DelayNs(basic_frames * TC_NS), toffset_last.scaled(-1.0)))


def fibre_delay_ns(length_m: float, group_index: float = GROUP_INDEX[1310]) -> float:
    """One-way delay of a fibre: 4.896 us for a kilometre at 1310 nm."""
    if length_m < 0:
        raise SettingsError(f"length {length_m:g} m is negative")
    if group_index < 1:
        raise SettingsError(f"group index {group_index:g} is below 1: faster than light")
    return length_m * group_index * 1e9 / SPEED_OF_LIGHT_M_PER_S


def coax_delay_ns(length_m: float, velocity_factor: float = 0.70) -> float:
    """One-way delay of a copper cable."""
    if length_m < 0:
        raise SettingsError(f"length {length_m:g} m is negative")
    if not 0 < velocity_factor <= 1:
        raise SettingsError(f"velocity factor {velocity_factor:g} is outside 0 to 1")
    return length_m * 1e9 / (SPEED_OF_LIGHT_M_PER_S * velocity_factor)


def fibre_drift_ns(length_m: float, kelvin: float, ps_per_km_k: float = FIBRE_DRIFT_PS_PER_KM_K) -> float:
    """Change of a fibre's one-way delay when it warms by `kelvin`."""
    return length_m * kelvin * ps_per_km_k * 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class MarkerTrain:
    """Hyperframe starts of one point: bit number of the first, bits apart, and (BFN, HFN) of each.

    `timing` is int64 (n, 2). Bit numbers of both points of a measurement count from the same instant.
    """

    first_bit: int
    bits_apart: int
    timing: I64

    def numbers(self) -> I64:
        """BFN and HFN as one count, 0 to 614 399."""
        if self.timing.ndim != 2 or self.timing.shape[1] != 2:
            raise LayoutError(f"timing has shape {self.timing.shape}, not (n, 2)")
        number: I64 = self.timing[:, 0] * HYPERFRAMES_PER_FRAME + self.timing[:, 1]
        return number

    def bits(self) -> I64:
        """Bit number of each start."""
        return self.first_bit + self.bits_apart * np.arange(len(self.timing), dtype=np.int64)


def marker_delays_bits(sent: MarkerTrain, received: MarkerTrain) -> I64:
    """Delay in bits of every hyperframe that both points have seen, in the order received; int64 (n,).

    Markers are told apart by BFN and HFN, so a delay beyond one hyperframe is unambiguous, up to the 40.96 s in
    which the BFN runs out.
    """
    period = BFN_MODULUS * HYPERFRAMES_PER_FRAME
    if not len(sent.timing) or not len(received.timing):
        return np.zeros(0, np.int64)
    index = (received.numbers() - sent.numbers()[0]) % period
    known = index < len(sent.timing)
    delays: I64 = received.bits()[known] - sent.bits()[index[known]]
    return delays
