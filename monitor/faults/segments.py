"""A fault on one segment of a chain: how it is written, and what follows from it at every point of the chain.

`plane.what@hyperframe:key=value,segment=RE-1>RE-2`. What the receiver of the segment sees is what the catalogue
declares. What other points see follows from what nodes do, which CPRI leaves to the vendor for the most part: alarms
come back on the hop itself (clause 4.2.10), octets that are passed on are passed on with their damage, and frames are
not where a node sends them anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from decoders.counters import COUNTERS, FRAME_COUNTERS, GOOD_FRAME_COUNTERS
from decoders.events import Alarm, Origin

from ..errors import InputError
from ..sources.names import Segment
from ..sources.source import Injection
from .catalogue import CATALOGUE
from .injector import reach
from .kinds import Context, Expectation, Fault, Layer, Range, because
from .line_faults import cut_bits
from .standard import ALARM_MASKS, RESET_HYPERFRAMES
from .together import UNBOUNDED, together

__all__ = ["PassedOn", "SegmentInjection", "fault_and_segment", "moved_symbols", "segment_expectations"]

_Add = Callable[[Iterable[Segment], Expectation], None]
_KEY = "segment"
_REMOTE_RAI = ((Alarm.RAI, Origin.REMOTE), (Alarm.LOF, Origin.REMOTE))
_REMOTE_SDI = ((Alarm.SDI, Origin.REMOTE),)
_TIMING = ("hfn_discontinuities", "bfn_discontinuities", "hfn_invalid")
_FORWARDED = ("vendor_changes", "ctrl_axc_changes")
_LOSSES = ("los_events", "lof_events")
_ANYTHING = because("a node on the way begins its time anew", COUNTERS)
_TRAFFIC = because("frames wait, or are lost, in the nodes on the way", GOOD_FRAME_COUNTERS.values())


def fault_and_segment(text: str) -> tuple[str, str | None]:
    """(the fault's text without its segment, the segment's name or None); InputError where there are two."""
    head, colon, tail = text.strip().partition(":")
    items = tail.split(",")
    named = [item for item in items if item.partition("=")[0].strip() == _KEY]
    if not named:
        return text, None
    if len(named) > 1:
        raise InputError(f"fault {head}: there are two segments")
    rest = ",".join(item for item in items if item not in named)
    return f"{head}{colon if rest else ''}{rest}", named[0].partition("=")[2].strip()


@dataclass(frozen=True, slots=True)
class PassedOn:
    """What the nodes of a chain pass on.

    `cm_octets`: C&M octets as they are, else whole frames; `vendor`: vendor specific octets as received. An elastic
    buffer takes `elastic_symbols` more or fewer, of which `moved_symbols` are used up.
    """

    cm_octets: bool = False
    vendor: bool = True
    elastic_symbols: int = 4
    moved_symbols: int = 0
    alarm_latency_hyperframes: int = 0

    @property
    def counters(self) -> tuple[str, ...]:
        """Those that a damaged octet moves at the points behind, too."""
        names = _FORWARDED if self.vendor else _FORWARDED[1:]
        return names + (tuple(FRAME_COUNTERS.values()) if self.cm_octets else ())


@dataclass(frozen=True, slots=True)
class SegmentInjection(Injection):
    """A fault as injected on a segment; `expectations` has every point, those too that must see nothing.

    `point` is the one from which it was asked for, where there is one; `expected` are the segment's counters.
    """

    segment: Segment = field(kw_only=True)
    expectations: Mapping[Segment, Expectation] = field(kw_only=True)
    point: Segment | None = field(kw_only=True, default=None)

    @property
    def here(self) -> Expectation:
        """What must follow at the point that asked, or else at the segment's own receiver."""
        return self.expectations[self.point or self.segment]

    def seen_from(self, point: Segment) -> SegmentInjection:
        return replace(self, point=point)


def segment_expectations(
    fault: Fault, context: Context, segment: Segment, nodes: Sequence[str], passed_on: PassedOn
) -> dict[Segment, Expectation]:
    """What must follow from one fault on `segment` at every point of the chain of `nodes`, from the REC outwards."""
    return _Chain(tuple(nodes), segment, passed_on).expectations(fault, fault.expectation(context), context)


def _loss(own: Expectation) -> tuple[bool, bool]:
    """(whether the receiver may lose sync or signal, whether it must)."""
    allowed = own.allowed
    may = any(name in allowed and allowed[name][1] != 0 for name in _LOSSES)
    return may, any(name in allowed and allowed[name][0] > 0 for name in _LOSSES)


def _restricted(own: Expectation, names: Iterable[str]) -> Expectation:
    """The part of a declaration that is about these counters."""
    kept = set(names)
    return Expectation(
        {name: by for name, by in own.exact.items() if name in kept},
        tuple(r for r in own.ranges if kept.issuperset(r.counters)),
        {name: why for name, why in own.tolerated.items() if name in kept},
        within_hyperframes=own.within_hyperframes,
    )


def _alarms(fault: Fault) -> int:
    """Bits of Z.130.0 that a fault sets."""
    name = fault.kind.name
    if name == "l1.alarms":
        return fault.values["mask"]
    return ALARM_MASKS.get(name.removeprefix("l1."), 0) if fault.kind.plane == "l1" else 0


def moved_symbols(fault: Fault) -> int:
    """Symbols that a fault of line bits adds or takes away in all, rounded up."""
    if fault.kind.layer is not Layer.BITS:
        return 0
    bits = sum(cut_bits(fault.kind.name, fault.values, offset) or 0 for offset in range(reach(fault) or 1))
    return -(-abs(bits) // 10)


@dataclass(frozen=True, slots=True)
class _Chain:
    """The points of a chain as seen from one segment."""

    nodes: tuple[str, ...]
    segment: Segment
    passed_on: PassedOn

    @property
    def downlink(self) -> bool:
        return self.nodes.index(self.segment.sender) < self.nodes.index(self.segment.receiver)

    @property
    def points(self) -> list[Segment]:
        down = [Segment(a, b) for a, b in pairwise(self.nodes)]
        return down + [point.reverse for point in reversed(down)]

    @property
    def onward(self) -> list[Segment]:
        """Points behind the segment in its own direction."""
        points = self.points
        direction = points[: len(points) // 2] if self.downlink else points[len(points) // 2 :]
        return direction[direction.index(self.segment) + 1 :]

    @property
    def uplinks_of_those_behind(self) -> list[Segment]:
        """What the segment's receiver and the nodes behind it send towards the REC."""
        return [self.segment.reverse, *(point.reverse for point in self.onward)]

    def expectations(self, fault: Fault, own: Expectation, context: Context) -> dict[Segment, Expectation]:
        out = dict.fromkeys(self.points, Expectation(tolerated=_TRAFFIC))

        def add(points: Iterable[Segment], more: Expectation) -> None:
            for point in points:
                out[point] = together(out[point], more)

        add([self.segment], own)
        add(self.onward, self._passed(own))
        self._loss(own, add)
        if self.downlink:
            self._time(fault, add)
            self._requests(fault, context, add)
        late = len(out) + (self.passed_on.alarm_latency_hyperframes if not self.downlink else 0)
        within = own.within_hyperframes
        return {
            point: expectation
            if point == self.segment
            else replace(expectation, within_hyperframes=within + late)
            for point, expectation in out.items()
        }

    def _passed(self, own: Expectation) -> Expectation:
        """What is passed on of what is damaged."""
        names = self.passed_on.counters
        if "vendor_changes" in own.tolerated:
            names += ("l1_alarm_changes",) if self.downlink else ()
            return Expectation(tolerated=because("control words are passed on as they were read", names))
        return _restricted(own, names)

    def _loss(self, own: Expectation, add: _Add) -> None:
        """RAI back on the hop, SDI down the chain."""
        may, must = _loss(own)
        if not may:
            return
        least = 0 if not must else 4 if own.cleared else 2
        back = Range(("l1_alarm_changes",), least, UNBOUNDED)
        raised = _REMOTE_RAI if must else ()
        add(
            [self.segment.reverse],
            Expectation(ranges=(back,), raised=raised, cleared=raised if own.cleared else ()),
        )
        if self.downlink:
            sdi = _REMOTE_SDI if must else ()
            told = Range(("l1_alarm_changes",), least // 2, UNBOUNDED)
            add(self.onward, Expectation(ranges=(told,), raised=sdi, cleared=sdi if own.cleared else ()))

    def _time(self, fault: Fault, add: _Add) -> None:
        """A node follows its downlink in time and count, and its uplink follows it."""
        behind = [*self.onward, *self.uplinks_of_those_behind]
        moved = moved_symbols(fault)
        if moved and self.passed_on.moved_symbols + moved > self.passed_on.elastic_symbols:
            # Every link from here on loses frame; the hops before lose what came from behind.
            anew = Expectation(tolerated=_ANYTHING)
            add([*behind, self.segment], anew)
            points = self.points
            up = points[len(points) // 2 :]
            why = "nothing comes from behind while sync is lost"
            add(
                up[up.index(self.segment.reverse) + 1 :],
                Expectation(tolerated=because(why, self.passed_on.counters)),
            )
        if fault.kind.name == "sync.jump":
            add(behind, Expectation(ranges=(Range(_TIMING[:2], 1, 4),)))
        elif fault.kind.name in ("sync.bfn_stuck", "line.invert"):
            add(behind, Expectation(tolerated=because("a node follows a count that goes on", _TIMING)))

    def _requests(self, fault: Fault, context: Context, add: _Add) -> None:
        """SDI and a reset request are passed on, and a request is acknowledged."""
        bits = _alarms(fault)
        if not bits:
            return
        lasts = fault.values["hyperframes"]
        if bits & ALARM_MASKS["sdi"]:
            add(self.onward, CATALOGUE["l1.sdi"].fault(hyperframes=lasts).expectation(context))
        if bits & ALARM_MASKS["reset"] and lasts >= RESET_HYPERFRAMES:
            reset = CATALOGUE["l1.reset"]
            add(self.onward, reset.fault(hyperframes=RESET_HYPERFRAMES).expectation(context))
            add(self.uplinks_of_those_behind, reset.fault(hyperframes=5).expectation(context))
