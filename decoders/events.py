"""What a link decoder says: frozen events, and the counter names of the contract.

Every event carries `hyperframe`, counted from 0 at the first hyperframe in sync, or None while there is none.
Octet changes come packed, one event a hyperframe and plane, because there can be thousands a second.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "Alarm",
    "AlarmCleared",
    "AlarmRaised",
    "AlignmentChanged",
    "BfnDiscontinuity",
    "BlockErrors",
    "CodeErrors",
    "CodewordErrors",
    "Event",
    "FillerMismatch",
    "FrameReceived",
    "FrameStatus",
    "HfnDiscontinuity",
    "HfnInvalid",
    "HyperframesNotReceived",
    "L1Accepted",
    "L1Changed",
    "OctetChange",
    "OctetsChanged",
    "Origin",
    "Plane",
    "PossibleInversion",
    "ResetRequested",
    "ScramblingSeedChanged",
    "ScramblingUnreliable",
    "SettingRejected",
    "StartupStateChanged",
    "SyncByteMissed",
    "SyncStateChanged",
    "SyncWordDiffers",
    "SyncWordFillerMismatch",
    "UnexpectedK",
]


class Plane(StrEnum):
    """The planes of a hyperframe, and the line under them."""

    LINE = "line"
    SYNC = "sync"
    L1 = "l1"
    HDLC = "hdlc"
    ETHERNET = "ethernet"
    VENDOR = "vendor"
    CTRL_AXC = "ctrl_axc"
    RESERVED = "reserved"
    IQ = "iq"


class FrameStatus(StrEnum):
    """The one heading under which a C&M frame is counted, in order of precedence."""

    CODE = "code"
    DELIMITER = "delimiter"
    ABORT = "abort"
    UNALIGNED = "unaligned"
    TOO_SHORT = "too_short"
    TOO_LONG = "too_long"
    FCS = "fcs"
    GOOD = "good"
    LOST_SYNC = "lost_sync"


class Alarm(StrEnum):
    """L1 alarms and requests (clause 4.2.7.6, 4.2.10)."""

    LOS = "los"
    LOF = "lof"
    RAI = "rai"
    SDI = "sdi"
    RESET = "reset"


class Origin(StrEnum):
    """Who found the defect: this receiver (local), or the remote end in its Z.130.0."""

    LOCAL = "local"
    REMOTE = "remote"


@dataclass(frozen=True, slots=True)
class Event:
    """Root of all events."""

    hyperframe: int | None


@dataclass(frozen=True, slots=True)
class SyncStateChanged(Event):
    """The hyperframe sync machine moved (clause 4.2.9, Fig. 26); states by their names there."""

    old: str
    new: str


@dataclass(frozen=True, slots=True)
class AlignmentChanged(Event):
    """Word alignment found: `bit_offset` is where in the bit stream the sync byte's bit a lies."""

    bit_offset: int
    slip_bits: int


@dataclass(frozen=True, slots=True)
class HyperframesNotReceived(Event):
    """So many hyperframes (None: number not known) before this one were not received, though the link carried them."""

    count: int | None


@dataclass(frozen=True, slots=True)
class AlarmRaised(Event):
    alarm: Alarm
    origin: Origin


@dataclass(frozen=True, slots=True)
class AlarmCleared(Event):
    alarm: Alarm
    origin: Origin


@dataclass(frozen=True, slots=True)
class CodeErrors(Event):
    """8B/10B errors of one hyperframe (or, out of sync, one hyperframe's time).

    `first_octet` is the first one's position, in octets from the start of the hyperframe.
    """

    code_violations: int
    disparity_errors: int
    first_octet: int


@dataclass(frozen=True, slots=True)
class BlockErrors(Event):
    """64B/66B errors of one hyperframe (or, out of sync, one hyperframe's time).

    `header_errors`: blocks with a header 00 or 11; `unexpected_types`: control blocks that are neither /T/ nor /S/;
    `lock_losses`: how often block lock was lost. `first_octet` is the first one's position, in octets from the start
    of the hyperframe.
    """

    header_errors: int
    unexpected_types: int
    lock_losses: int
    first_octet: int


@dataclass(frozen=True, slots=True)
class CodewordErrors(Event):
    """RS-FEC codewords with errors that begin in one hyperframe: corrected ones, their symbols, uncorrected ones.

    `lock_losses`: how often codeword lock was lost; `first_octet` as in BlockErrors.
    """

    corrected: int
    corrected_symbols: int
    uncorrected: int
    lock_losses: int
    first_octet: int


@dataclass(frozen=True, slots=True)
class SyncWordDiffers(Event):
    """The sync word of 64B/66B is another than T7_S0 with its origin at the /T/ block, and is used as it is."""

    layout: str
    origin: str


@dataclass(frozen=True, slots=True)
class SyncWordFillerMismatch(Event):
    """Octets beside /T/ and /S/ are not as they are to be sent: the sixteen `octets` of the two blocks."""

    octets: bytes


@dataclass(frozen=True, slots=True)
class ScramblingSeedChanged(Event):
    """Scrambling of version 2 goes on with another seed."""

    old: int
    new: int


@dataclass(frozen=True, slots=True)
class ScramblingUnreliable(Event):
    """The known octets of the sync word fit no seed; the hyperframe is descrambled with `seed`, the last one."""

    seed: int


@dataclass(frozen=True, slots=True)
class SyncByteMissed(Event):
    """The sync word was not in its place while in sync: `octet` stood where K28.5, or /T/ (0xFD), was `expected`."""

    octet: int
    expected: int = 0xBC


@dataclass(frozen=True, slots=True)
class FillerMismatch(Event):
    """Octets of the sync control word beside the sync byte that are not D16.2 / D5.6 (Table 9)."""

    octets: bytes


@dataclass(frozen=True, slots=True)
class PossibleInversion(Event):
    """The fillers read as complements do: the line pair may be swapped."""


@dataclass(frozen=True, slots=True)
class UnexpectedK(Event):
    """`count` K characters of this hyperframe stand elsewhere than in the sync word; the first at #Z.X.W.Y."""

    count: int
    x: int
    w: int
    y: int
    octet: int


@dataclass(frozen=True, slots=True)
class HfnInvalid(Event):
    value: int


@dataclass(frozen=True, slots=True)
class HfnDiscontinuity(Event):
    expected: int
    seen: int


@dataclass(frozen=True, slots=True)
class BfnDiscontinuity(Event):
    expected: int
    seen: int


@dataclass(frozen=True, slots=True)
class L1Changed(Event):
    """An octet of subchannel 2 changed, as received: `field` is version, rate, alarms or pointer."""

    field: str
    old: int
    new: int


@dataclass(frozen=True, slots=True)
class L1Accepted(Event):
    """A filtered L1 value was taken over: `field` is version, hdlc_rate_code or pointer_p."""

    field: str
    old: int
    new: int


@dataclass(frozen=True, slots=True)
class SettingRejected(Event):
    """A pointer, version or HDLC rate code that is not valid for this option: `field` as in L1Accepted."""

    field: str
    value: int


@dataclass(frozen=True, slots=True)
class ResetRequested(Event):
    """The reset bit stood for as many hyperframes as a request takes (clause 4.2.7.6.1)."""


@dataclass(frozen=True, slots=True)
class StartupStateChanged(Event):
    """Start-up state A..G as far as one direction shows it (clause 4.5)."""

    old: str
    new: str


@dataclass(frozen=True, slots=True)
class OctetChange:
    """One control octet that differs from the hyperframe before, at subchannel ns, xs, octet y."""

    ns: int
    xs: int
    y: int
    old: int
    new: int


@dataclass(frozen=True, slots=True)
class OctetsChanged(Event):
    """All changed control octets of one plane in one hyperframe.

    `places` packs one (ns, xs, y) triple for each change, `old` and `new` one octet each.
    """

    plane: Plane
    places: bytes
    old: bytes
    new: bytes

    def __len__(self) -> int:
        return len(self.old)

    def changes(self) -> Iterator[OctetChange]:
        for i, (old, new) in enumerate(zip(self.old, self.new, strict=True)):
            ns, xs, y = self.places[3 * i : 3 * i + 3]
            yield OctetChange(ns, xs, y, old, new)


@dataclass(frozen=True, slots=True)
class FrameReceived(Event):
    """A C&M frame ended in this hyperframe: `data` is without its FCS, `fcs` as sent on the line.

    `left_out` counts the octets of a far too long frame that are not kept: they follow `data`.
    """

    bfn: int
    hfn: int
    plane: Plane
    status: FrameStatus
    data: bytes
    fcs: bytes
    left_out: int = 0

    @property
    def length(self) -> int:
        """Octets between the delimiters, FCS included, kept or not."""
        return len(self.data) + len(self.fcs) + self.left_out
