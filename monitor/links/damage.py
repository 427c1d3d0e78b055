"""Where on a chain of nodes damage enters: frozen results for screens, reports and tests.

A point is the receiver at the end of a segment and is named by it; a point `sent` is a tap at the segment's
transmitter. Nothing here decodes or compares.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from decoders.error_performance.pairing import NumberRange
from decoders.events import Plane

from ..sources.names import Segment

__all__ = [
    "ChainDamage",
    "ChangedOctet",
    "Consequence",
    "Forwarding",
    "Localised",
    "LocateVerdict",
    "PlaneForwarding",
    "Point",
    "PointCoverage",
    "PointPair",
    "Sign",
]


@dataclass(frozen=True, slots=True)
class Point:
    """The receiver at the end of `segment`, or, with `sent`, its transmitter."""

    segment: Segment
    sent: bool = False

    @property
    def name(self) -> str:
        return f"sent:{self.segment.name}" if self.sent else self.segment.name


class LocateVerdict(StrEnum):
    CLEAN = "clean"
    DAMAGE = "damage"
    INCOMPLETE = "incomplete"
    """No damage was found, but no two points could be compared, or one of them was never in sync."""


class Forwarding(StrEnum):
    """How a plane passes from one point to the next."""

    IDENTICAL = "identical"
    """Octets are compared."""
    RELAYED = "relayed"
    """C&M frames are sent anew: frames are compared, and not octets."""
    CHANGED = "changed by the node"
    """Some octets differ all the time; the others are compared."""
    NOT_FORWARDED = "not forwarded"
    """All octets that carry anything differ all the time."""
    UNKNOWN = "not known"
    """Too few hyperframes, or nothing moves in it."""
    NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True)
class ChangedOctet:
    """Octet #Z.X.W.Y of hyperframe BFN.HFN as it was before a segment, and behind it."""

    bfn: int
    hfn: int
    x: int
    w: int
    y: int
    old: int
    new: int

    @property
    def address(self) -> str:
        return f"#{self.hfn}.{self.x}.{self.w}.{self.y}"


@dataclass(frozen=True, slots=True)
class Sign:
    """One kind of evidence of a damage: `count` of what `kind` names, in one plane.

    `text` says the first one in words; `octets` holds the first places where octets differ.
    """

    plane: Plane
    kind: str
    count: int
    text: str = ""
    octets: tuple[ChangedOctet, ...] = ()


@dataclass(frozen=True, slots=True)
class Consequence:
    """What followed from a damage at another point; it is no damage of its own."""

    point: Point
    plane: Plane
    text: str


@dataclass(frozen=True, slots=True)
class ChainDamage:
    """One damage: `segments` holds the segment that it entered on, or all that cannot be told apart, with `reason`.

    `point` is the first point that shows it, `clean_before` the nearest point upstream that covers it and is clean,
    `clean_after` the first point downstream that does not show it any more. `entered` says line, node or both in
    words. `first` and `last` are link numbers (BFN * 150 + HFN) as they stand at `point`.
    """

    plane: Plane
    segments: tuple[Segment, ...]
    point: Point
    entered: str
    first: int
    last: int
    hyperframes: int
    signs: tuple[Sign, ...]
    clean_before: Point | None = None
    clean_after: Point | None = None
    reason: str = ""
    consequences: tuple[Consequence, ...] = ()

    @property
    def distinguished(self) -> bool:
        """Whether one segment is named."""
        return len(self.segments) == 1 and not self.reason


@dataclass(frozen=True, slots=True)
class PointCoverage:
    """What was read at a point: `stretches` are its hyperframes by link number; `counters` those that moved."""

    point: Point
    source: str
    option: str
    form: str
    hyperframes: int
    stretches: tuple[NumberRange, ...]
    losses: int
    counters: Mapping[str, int]
    number_shift: int = 0
    """Hyperframes by which its BFN and HFN are ahead of those of the points before it."""
    jumps: int = 0
    """How often its BFN and HFN jumped while the line data went on."""
    sees_line_code: bool = True
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlaneForwarding:
    """One plane of a pair: `compared` and `differing` octets; `own` octets of a hyperframe change all the time."""

    forwarding: Forwarding
    compared: int = 0
    differing: int = 0
    own: int = 0


@dataclass(frozen=True, slots=True)
class PointPair:
    """Two points, one after the other: what of them was compared, and how the node between forwards.

    `iq_shift_basic_frames` is by how much IQ data stand later; `apart` why octets could not be compared.
    """

    before: Point
    after: Point
    hyperframes: int
    planes: Mapping[Plane, PlaneForwarding]
    iq_shift_basic_frames: int = 0
    apart: str = ""


@dataclass(frozen=True, slots=True)
class Localised:
    """All that was found; `more` damages are counted and not kept; `notes` say once what a node does all the time."""

    points: tuple[PointCoverage, ...]
    pairs: tuple[PointPair, ...]
    damages: tuple[ChainDamage, ...]
    notes: tuple[str, ...]
    limits: tuple[str, ...]
    """What could not have been seen with these points."""
    verdict: LocateVerdict
    more: int = 0
