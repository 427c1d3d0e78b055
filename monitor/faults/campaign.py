"""The negative-test campaign: a clean baseline, then each fault alone on a fresh link, then some together.

Every case sends one seeded transmission to a new receiver and holds what moved, against the baseline of the same
seed and length, to what the faults declare. It draws nothing and reads no clock, so the same conditions give the
same results, octet for octet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from typing import Protocol

from decoders.alignment import SyncState
from decoders.events import Event, SyncStateChanged
from decoders.link import LinkDecoder, LinkSettings

from ..errors import InputError
from .catalogue import CATALOGUE, Fault, parse_fault
from .declared import declare, unfit
from .transmission import LinkConditions, PlacedFault, Transmission, around, transmit
from .verdict import (
    Declared,
    Finding,
    Observation,
    Timed,
    Verdict,
    beyond,
    detection,
    difference,
    judge,
    recovery,
    worst,
)

__all__ = [
    "BASELINE",
    "COMBINATIONS",
    "VARIANTS",
    "Campaign",
    "Case",
    "CaseResult",
    "Excerpt",
    "Receiver",
    "ReceiverFactory",
    "choose",
    "every_case",
    "observe",
    "run_campaign",
    "run_case",
]

BASELINE = "baseline"
_EXCERPT_REACH = 16


class Receiver(Protocol):
    """The decoder under test: LinkDecoder, a changed one, or whatever speaks for a board.

    `counters` has every name of decoders.events.COUNTERS.
    """

    counters: dict[str, int]
    hyperframes_missed: int

    @property
    def state(self) -> SyncState: ...

    def receive(self, data: bytes, /) -> Iterable[Event]: ...

    def finish(self) -> Iterable[Event]: ...


ReceiverFactory = Callable[[LinkSettings], Receiver]


@dataclass(frozen=True, slots=True)
class Case:
    """Faults that are put in together, as text without hyperframes; none is the baseline."""

    faults: tuple[str, ...]

    @property
    def name(self) -> str:
        return " + ".join(self.faults) or BASELINE

    @property
    def plane(self) -> str:
        """Plane of the fault; `combined` where there are more."""
        if not self.faults:
            return BASELINE
        return self.faults[0].split(".")[0] if len(self.faults) == 1 else "combined"


VARIANTS: Mapping[str, tuple[str, ...]] = {
    "line.violation": ("count=15", "count=16"),
    "line.flip": ("bit=9", "w=0,x=20"),
    "line.slip": ("bits=-1",),
    "sync.comma": ("count=2", "count=3"),
    "sync.hfn": ("value=7",),
    "sync.bfn": ("xor=0x400",),
    "hdlc.fcs": ("xor=0x8000",),
    "hdlc.abort": ("after=12",),
    "ethernet.fcs": ("xor=0x80000000",),
    "ethernet.code": ("group=0",),
    "vendor.value": ("hyperframes=3", "ns=16,xs=3"),
    "iq.flip": ("x=255,w=15,bit=7",),
}
"""Further parameters with which a fault is also put in, beside its defaults."""

COMBINATIONS: tuple[tuple[str, ...], ...] = (
    ("hdlc.fcs", "ethernet.fcs"),
    ("hdlc.abort", "ethernet.code", "vendor.value"),
    ("sync.hfn", "hdlc.fcs"),
    ("sync.bfn", "iq.flip"),
    ("line.disparity", "vendor.value"),
    ("line.violation", "ethernet.fcs"),
    ("sync.comma", "hdlc.abort"),
)
"""Faults of different planes in the same hyperframe: each must be told as if it were alone."""


def every_case() -> list[Case]:
    """The baseline, each fault with its defaults and variants, and the combinations."""
    out = [Case(())]
    for name in CATALOGUE:
        out.append(Case((name,)))
        out += [Case((f"{name}:{variant}",)) for variant in VARIANTS.get(name, ())]
    return out + [Case(texts) for texts in COMBINATIONS]


def choose(cases: Iterable[Case], only: Sequence[str] = (), skip: Sequence[str] = ()) -> list[Case]:
    """Cases whose name fits a pattern of `only` (all, if empty) and none of `skip`; the baseline always stays.

    InputError where a pattern fits nothing. A pattern fits a whole name, as a shell's does.
    """
    every = list(cases)
    for pattern in [*only, *skip]:
        if not any(fnmatchcase(case.name, pattern) for case in every):
            raise InputError(
                f"pattern {pattern!r} fits no case", hint="framefray prove SOURCE --list names them"
            )

    def wanted(case: Case) -> bool:
        if not case.faults:
            return True
        inside = not only or any(fnmatchcase(case.name, p) for p in only)
        return inside and not any(fnmatchcase(case.name, p) for p in skip)

    return [case for case in every if wanted(case)]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Octets as sent around a damage: `octets[at]` is the first damaged one, `first` the number of octets[0]."""

    fault: str
    first: int
    at: int
    octets: tuple[str, ...]
    what: str


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One case at one seed. `moved` is against the baseline; times are hyperframes from the damage."""

    case: Case
    seed: int
    verdict: Verdict
    declared: Declared | None
    moved: Mapping[str, int]
    findings: tuple[Finding, ...]
    placed: tuple[PlacedFault, ...] = ()
    detected_after: int | None = None
    recovered_after: int | None = None
    excerpts: tuple[Excerpt, ...] = ()

    @property
    def passed(self) -> bool:
        return self.verdict.passed


@dataclass(slots=True)
class Campaign:
    """Results as far as they have come; `interrupted` where the rest is missing."""

    conditions: LinkConditions
    results: list[CaseResult] = field(default_factory=list)
    planned: int = 0
    interrupted: bool = False

    @property
    def passed(self) -> bool:
        return all(result.passed for result in self.results)

    def count(self, *, passed: bool) -> int:
        """Cases passed or failed, those left out not counted."""
        return sum(r.passed is passed for r in self.results if r.verdict is not Verdict.LEFT_OUT)

    @property
    def left_out(self) -> int:
        return sum(r.verdict is Verdict.LEFT_OUT for r in self.results)


def observe(transmission: Transmission, option: str, receiver: ReceiverFactory = LinkDecoder) -> Observation:
    """What a new receiver makes of a transmission; whatever it raises is a finding, not an exception."""
    timed: list[Timed] = []
    try:
        under_test = receiver(LinkSettings(option=option, form=transmission.form))
        for data in transmission.chunks:
            missed = under_test.hyperframes_missed
            events = under_test.receive(data)
            missed = _stamp(timed, events, missed, under_test)
        _stamp(timed, under_test.finish(), under_test.hyperframes_missed, under_test)
    except Exception as failure:  # a receiver under test may do anything
        return Observation({}, timed, False, f"{type(failure).__name__}: {failure}")
    return Observation(dict(under_test.counters), timed, under_test.state is SyncState.HFNSYNC)


def _stamp(timed: list[Timed], events: Iterable[Event], missed: int, receiver: Receiver) -> int:
    """Put events on the line's count of hyperframes: those missed while hunting are counted in at the new lock."""
    for event in events:
        if isinstance(event, SyncStateChanged) and event.old == SyncState.XACQ1:
            missed = receiver.hyperframes_missed
        timed.append(Timed(None if event.hyperframe is None else event.hyperframe + missed, event))
    return missed


def _baseline(conditions: LinkConditions, receiver: ReceiverFactory) -> tuple[Observation, CaseResult]:
    sent = transmit(conditions, ())
    seen = observe(sent, conditions.option, receiver)
    nothing = Declared({}, {}, frozenset())
    still = Observation(dict.fromkeys(seen.counters, 0), (), True)
    allowed = replace(nothing, tolerated={"hdlc_frames": "traffic", "ethernet_frames": "traffic"})
    findings = judge(allowed, still, seen, 0, sent.truth)
    if seen.failure is None and not any(t.at is not None for t in seen.events):
        findings.insert(0, Finding(Verdict.UNSYNCED, None, "no hyperframe sync"))
    dirty = [
        replace(f, verdict=Verdict.DIRTY, text=f.text.replace("no fault declares it", "without a fault"))
        if f.verdict is Verdict.SIDE_EFFECT
        else f
        for f in findings
    ]
    moved = {} if seen.failure else difference(still, seen)
    result = CaseResult(Case(()), conditions.seed, worst(dirty, Verdict.CLEAN), nothing, moved, tuple(dirty))
    return seen, result


def run_case(
    case: Case,
    conditions: LinkConditions,
    baseline: Observation,
    receiver: ReceiverFactory = LinkDecoder,
) -> CaseResult:
    """One case; LEFT_OUT where a fault has no place in such a link."""
    faults = [_at(parse_fault(text), conditions.fault_hyperframe) for text in case.faults]
    try:
        for fault in faults:
            reason = unfit(fault, conditions)
            if reason:
                raise InputError(reason)
        sent = transmit(conditions, faults)
    except InputError as reason:
        finding = Finding(Verdict.LEFT_OUT, None, str(reason))
        return CaseResult(case, conditions.seed, Verdict.LEFT_OUT, None, {}, (finding,))
    return judge_case(case, faults, conditions, sent, baseline, receiver)


def judge_case(
    case: Case,
    faults: Sequence[Fault],
    conditions: LinkConditions,
    sent: Transmission,
    baseline: Observation,
    receiver: ReceiverFactory = LinkDecoder,
) -> CaseResult:
    """The result of a transmission that holds these faults."""
    declared = declare(faults, conditions)
    seen = observe(sent, conditions.option, receiver)
    on_line = min((place.on_line for place in sent.placed), default=0)
    if baseline.failure is not None:
        findings = [Finding(Verdict.CRASHED, None, baseline.failure)]
    else:
        findings = judge(declared, baseline, seen, on_line, sent.truth)
    for place in sent.placed:
        if not place.sent:
            text = f"{place.text}: the frame did not leave in time; give more --hyperframes"
            findings.insert(0, Finding(Verdict.NOT_SENT, None, text))
    must_move = [name for name, (least, _) in declared.required.items() if least > 0]
    if seen.failure is not None or baseline.failure is not None:
        moved, detected, recovered = {}, None, None
    else:
        moved = difference(baseline, seen)
        news = beyond(baseline.events, seen.events)
        detected = detection(news, must_move, on_line)
        recovered = recovery(news, seen.events, on_line) if seen.in_sync else None
    return CaseResult(
        case,
        conditions.seed,
        worst(findings, Verdict.DETECTED if must_move else Verdict.SILENT),
        declared,
        moved,
        tuple(findings),
        sent.placed,
        detected,
        recovered,
        tuple(_excerpts(sent)) if findings else (),
    )


def _at(fault: Fault, hyperframe: int) -> Fault:
    return fault if fault.hyperframe is not None else replace(fault, hyperframe=hyperframe)


def _excerpts(sent: Transmission) -> Iterable[Excerpt]:
    for place in sent.placed:
        if place.offset_octets is not None:
            first, octets = around(sent, place.offset_octets, _EXCERPT_REACH)
            at = place.offset_octets - first
            yield Excerpt(place.text, first, at, tuple(octets), "octets of the stream")
        elif place.frame:
            tail = place.frame[-2 * _EXCERPT_REACH - 1 :]
            octets = [f"{octet:02X}" for octet in tail]
            first = len(place.frame) - len(tail)
            at = max(0, len(tail) - (2 if place.text.startswith("hdlc") else 4))
            yield Excerpt(
                place.text, first, at, tuple(octets), f"end of the frame, {len(place.frame)} octets"
            )


def run_campaign(
    conditions: LinkConditions,
    chosen: Sequence[Case],
    *,
    repeat: int = 1,
    fail_fast: bool = False,
    receiver: ReceiverFactory = LinkDecoder,
    on_result: Callable[[CaseResult, int, int], object] = lambda result, done, planned: None,
) -> Campaign:
    """Every chosen case at `repeat` successive seeds, each on a fresh link.

    `on_result` is called after each case. KeyboardInterrupt ends it; what was done is returned.
    """
    faulty = [case for case in chosen if case.faults]
    campaign = Campaign(conditions, planned=repeat * (1 + len(faulty)))

    def add(result: CaseResult) -> bool:
        campaign.results.append(result)
        on_result(result, len(campaign.results), campaign.planned)
        return fail_fast and not result.passed

    try:
        for number in range(repeat):
            at = replace(conditions, seed=conditions.seed + number)
            baseline, result = _baseline(at, receiver)
            if add(result):
                return campaign
            for case in faulty:
                if add(run_case(case, at, baseline, receiver)):
                    return campaign
    except KeyboardInterrupt:
        campaign.interrupted = True
    return campaign
