"""Settings of each kind of stage, with their defaults and limits; the plan reference is made from here."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from decoders.linerates import OPTIONS

__all__ = [
    "STAGE_SETTINGS",
    "BerSettings",
    "CampaignSettings",
    "CmSettings",
    "DelaySettings",
    "IqSettings",
    "LinkUpSettings",
    "LoopbackSettings",
    "QuietSettings",
    "RatesSettings",
    "SoakSettings",
    "StageSettings",
    "VendorSettings",
]

MOST_HYPERFRAMES: Final = 10**12


def _limit(
    default: Any, text: str, *, low: float = 0, high: float = 1e9, choices: tuple[str, ...] = ()
) -> Any:
    """A setting with its meaning and its range; `choices` are those of a text or of the texts of a list."""
    return dataclasses.field(
        default=default, metadata={"text": text, "low": low, "high": high, "choices": choices}
    )


@dataclass(frozen=True, slots=True)
class StageSettings:
    """What every kind of stage has: nothing."""


@dataclass(frozen=True, slots=True)
class LinkUpSettings(StageSettings):
    resets: int = _limit(10, "resets of the transceiver, each measured", low=1, high=100_000)
    sync_within_ms: float = _limit(100.0, "longest time to HFNSYNC, line time", low=0.1, high=1e6)
    operation_within_ms: float = _limit(
        1000.0, "longest time to start-up state F, line time", low=1, high=1e6
    )
    rai_within_hyperframes: int = _limit(
        30, "longest time until the remote end returns RAI, where there is one", low=1, high=15_000
    )


@dataclass(frozen=True, slots=True)
class QuietSettings(StageSettings):
    hyperframes: int = _limit(
        15_000, "hyperframes without an error, on every point", low=150, high=MOST_HYPERFRAMES
    )
    seconds: float = _limit(
        0.0, "the same in seconds of line time; the longer one of the two counts", high=1e7
    )


@dataclass(frozen=True, slots=True)
class LoopbackSettings(StageSettings):
    which: tuple[str, ...] = _limit(
        ("internal", "cable"), "loopbacks to set, one after the other", choices=("internal", "cable")
    )
    hyperframes: int = _limit(600, "hyperframes without an error in each", low=150, high=MOST_HYPERFRAMES)


@dataclass(frozen=True, slots=True)
class BerSettings(StageSettings):
    bound: float = _limit(1e-9, "bit error ratio that must not be exceeded", low=1e-15, high=1e-3)
    confidence: float = _limit(0.95, "confidence of the bound, one-sided", low=0.5, high=0.99999)
    errors: int = _limit(0, "errors with which the bound may still be claimed", high=1000)
    method: str = _limit(
        "auto",
        "how errors are counted: pn (known bits in the IQ data), line_code, or the better one that can be had",
        choices=("auto", "pn", "line_code"),
    )
    order: int = _limit(23, "order of the PN sequence in the IQ data", low=7, high=31)


@dataclass(frozen=True, slots=True)
class CmSettings(StageSettings):
    frames: int = _limit(20_000, "frames on each channel", low=10, high=10**9)
    planes: tuple[str, ...] = _limit(("hdlc", "ethernet"), "channels to test", choices=("hdlc", "ethernet"))


@dataclass(frozen=True, slots=True)
class IqSettings(StageSettings):
    hyperframes: int = _limit(300, "hyperframes whose samples are compared", low=8, high=10**9)
    level_tolerance_db: float = _limit(
        0.1, "largest difference from the level of the tone", low=0.001, high=100
    )
    dc_limit_dbfs: float = _limit(-60.0, "highest DC offset", low=-200, high=0)
    evm_limit_percent: float = _limit(1.0, "highest error vector magnitude, r.m.s.", low=0.0001, high=100)


@dataclass(frozen=True, slots=True)
class VendorSettings(StageSettings):
    places: int = _limit(12, "vendor specific octets that are tried, spread over all", low=1, high=4096)


@dataclass(frozen=True, slots=True)
class CampaignSettings(StageSettings):
    size: str = _limit("quick", "cases: quick or default", choices=("quick", "default"))
    only: tuple[str, ...] = _limit((), "patterns of the cases to run; none: all")
    skip: tuple[str, ...] = _limit((), "patterns of the cases to leave out")


@dataclass(frozen=True, slots=True)
class DelaySettings(StageSettings):
    resets: int = _limit(66, "resets of the transceiver, each measured", low=2, high=100_000)
    deviation_ns: float = _limit(
        0.0, "largest change through resets; 0: one clock and Tc/32, whichever is less", high=1e6
    )
    least_ns: float = _limit(0.0, "budget: shortest one-way delay", high=1e9)
    most_ns: float = _limit(0.0, "budget: longest one-way delay; 0: no budget", high=1e9)


@dataclass(frozen=True, slots=True)
class RatesSettings(StageSettings):
    options: tuple[str, ...] = _limit(
        (), "line bit rate options in this order; none: those of the plan", choices=tuple(OPTIONS)
    )
    hyperframes: int = _limit(300, "hyperframes without an error after each change", low=150, high=10**9)
    operation_within_ms: float = _limit(
        1000.0, "longest time to start-up state F, line time", low=1, high=1e6
    )


@dataclass(frozen=True, slots=True)
class SoakSettings(StageSettings):
    seconds: float = _limit(
        2.0, "length in seconds of line time; give hours for a soak worth its name", high=1e7
    )
    hours: float = _limit(0.0, "the same in hours; both add up", high=10_000)
    errored_seconds: int = _limit(0, "seconds with an error that are allowed", high=10**6)


STAGE_SETTINGS: Mapping[str, type[StageSettings]] = MappingProxyType(
    {
        "link_up": LinkUpSettings,
        "quiet": QuietSettings,
        "loopback": LoopbackSettings,
        "ber": BerSettings,
        "cm_integrity": CmSettings,
        "iq_integrity": IqSettings,
        "vendor": VendorSettings,
        "campaign": CampaignSettings,
        "delay": DelaySettings,
        "rates": RatesSettings,
        "soak": SoakSettings,
    }
)
"""Settings of each kind, in the order in which the stages run where a plan gives none."""
