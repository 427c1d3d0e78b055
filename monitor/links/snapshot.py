"""What screens and reports may know of a link."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import U8
from decoders.counters import ERROR_COUNTERS
from decoders.events import Event, Plane
from decoders.frame_structure.frames import ALARM_BITS

from ..faults.kinds import Expectation
from ..sources.source import BoardReport, Standstill

__all__ = ["BoardSaid", "InjectedFault", "LogEntry", "Snapshot", "SourceWarning"]

NEVER = -1


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One event in the log, numbered from 0 since the start."""

    number: int
    event: Event


@dataclass(frozen=True, slots=True)
class SourceWarning(Event):
    """What a source put right, left out or lost, in its own words."""

    text: str


@dataclass(frozen=True, slots=True)
class BoardSaid(Event):
    """A line of a board's console or log."""

    text: str


@dataclass(frozen=True, slots=True)
class InjectedFault:
    """A fault put into the stream: its name and parameters as text, where, and what must follow from it.

    `before` holds the counters at the moment it was asked for. `elsewhere`: another receiver sees it, not this one.
    `breaks` is how often the stream had broken by then; `own_traffic`: how far the counters of traffic
    moved in the two 10 ms frames before, None or missing where they were not watched for so long. `expectation` is
    what must follow here of a fault on a segment of a chain.
    """

    number: int
    text: str
    hyperframe: int
    expected: Mapping[str, int]
    before: Mapping[str, int]
    elsewhere: bool = False
    breaks: int = 0
    own_traffic: Mapping[str, int | None] = field(default_factory=dict)
    expectation: Expectation | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """State of one link at one moment.

    `control` uint8 (256, T/8) is the last hyperframe's control words, `change_counts` int64 (256, T/8) how often
    each octet has changed, `changed_at` int64 (256, T/8) the hyperframe of its last change (-1 never).
    `hyperframes_not_received` are those of the missed that the link carried: left out or lost on their way here.
    `last_change` gives the hyperframe at which a counter last moved. `iq_octets` uint8 (256, 15*T/8) are the
    IQ data blocks of one recent hyperframe, or None. `fec`: RS-FEC was found; `scrambling_seed` is None without
    scrambling. `board` is None where the source is no board.
    """

    source: str
    option: str
    form: str
    time_ns: int
    sync_state: str
    startup_state: str
    los: bool
    remote_alarms: int
    hyperframes: int
    hyperframes_missed: int
    hyperframes_not_received: int
    bfn: int
    hfn: int
    version: int
    hdlc_rate_code: int
    pointer_p: int
    alignment_slip_bits: int | None
    counters: Mapping[str, int]
    last_change: Mapping[str, int]
    owners: tuple[Plane, ...]
    control: U8 | None
    change_counts: NDArray[np.int64] | None
    changed_at: NDArray[np.int64] | None
    iq_octets: U8 | None
    events: int
    injected: tuple[InjectedFault, ...] = ()
    ended: bool = False
    warnings: tuple[str, ...] = ()
    standstill: Standstill | None = None
    breaks_of_unknown_length: int = 0
    fec: bool = False
    scrambling_seed: int | None = None
    board: BoardReport | None = None

    @property
    def lof(self) -> bool:
        """Loss of frame: the sync machine stands in XACQ1 or XACQ2."""
        return self.sync_state in ("XACQ1", "XACQ2")

    def remote(self, name: str) -> bool:
        """A bit of the received Z.130.0 by its name: reset, rai, sdi, los, lof."""
        return bool(self.remote_alarms & ALARM_BITS[name])

    @property
    def errors(self) -> int:
        """Sum of the counters that tell of damage."""
        return sum(value for name, value in self.counters.items() if name in ERROR_COUNTERS)
