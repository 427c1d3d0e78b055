"""The negative-test campaign: a clean baseline, then each fault alone on a fresh link, then some together.

Every case sends one seeded transmission to a new receiver and holds what moved, against the baseline of the same
seed and length, to what the faults declare. It draws nothing and reads no clock, so the same conditions give the
same results, octet for octet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from decoders.events import Event, SyncStateChanged
from decoders.link.decoder import LinkDecoder
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import LinkSettings

from ..errors import InputError, MonitorError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Expectation, Fault
from ..faults.verdict import (
    GOOD_FRAMES,
    Declared,
    Finding,
    Observation,
    Timed,
    Verdict,
    beyond,
    difference,
    judge,
    recovery,
    told,
    verdict_of,
    worst,
)
from .cases import Case
from .conditions import Conditions, LinkConditions
from .declared import declare, length_for
from .results import Campaign, CaseResult, Excerpt
from .transmission import PlacedFault, Transmission, around, transmit

__all__ = [
    "TRAFFIC",
    "Baselines",
    "Bench",
    "Receiver",
    "ReceiverFactory",
    "conclude",
    "frame_excerpt",
    "observe",
    "run_campaign",
    "run_case",
    "stamp",
    "unclean",
]

_EXCERPT_REACH = 16


class Receiver(Protocol):
    """The decoder under test: LinkDecoder, a changed one, or whatever speaks for a board.

    `counters` has every name of decoders.events.COUNTERS.
    """

    counters: dict[str, int]

    @property
    def hyperframes_missed(self) -> int: ...

    @property
    def state(self) -> SyncState: ...

    def receive(self, data: bytes, /) -> Iterable[Event]: ...

    def finish(self) -> Iterable[Event]: ...


ReceiverFactory = Callable[[LinkSettings], Receiver]


def observe(transmission: Transmission, option: str, receiver: ReceiverFactory = LinkDecoder) -> Observation:
    """What a new receiver makes of a transmission; whatever it raises is a finding, not an exception."""
    timed: list[Timed] = []
    try:
        under_test = receiver(LinkSettings(option=option, form=transmission.form))
        for data in transmission.chunks:
            missed = under_test.hyperframes_missed
            events = under_test.receive(data)
            missed = stamp(timed, events, missed, under_test)
        stamp(timed, under_test.finish(), under_test.hyperframes_missed, under_test)
    except Exception as failure:  # a receiver under test may do anything
        return Observation({}, timed, False, f"{type(failure).__name__}: {failure}")
    return Observation(dict(under_test.counters), timed, under_test.state is SyncState.HFNSYNC)


def stamp(timed: list[Timed], events: Iterable[Event], missed: int, receiver: Receiver) -> int:
    """Put events on the line's count of hyperframes: those missed while hunting are counted in at the new lock."""
    for event in events:
        if isinstance(event, SyncStateChanged) and event.old == SyncState.XACQ1:
            missed = receiver.hyperframes_missed
        timed.append(Timed(None if event.hyperframe is None else event.hyperframe + missed, event))
    return missed


class Bench(Protocol):
    """What faults are put into, one case after the other."""

    def baseline(self) -> CaseResult:
        """The link without a fault."""
        ...

    def case(self, case: Case) -> CaseResult:
        """One case; InputError where the link is gone."""
        ...


class Baselines:
    """A Bench of fresh links; what the receiver makes of each without faults, for each length asked for."""

    def __init__(self, conditions: LinkConditions, receiver: ReceiverFactory) -> None:
        self.conditions = conditions
        self.receiver = receiver
        self._known: dict[int, tuple[Observation, tuple[Finding, ...]]] = {}

    def of(self, length: int) -> tuple[Observation, tuple[Finding, ...]]:
        """The observation, and what is not clean about it."""
        if length not in self._known:
            sent = transmit(self.conditions, (), length)
            seen = observe(sent, self.conditions.option, self.receiver)
            self._known[length] = seen, tuple(unclean(seen, sent.truth))
        return self._known[length]

    def case(self, case: Case) -> CaseResult:
        return run_case(case, self)

    def baseline(self) -> CaseResult:
        seen, findings = self.of(length_for((), self.conditions))
        moved = {name: value for name, value in seen.counters.items() if value}
        verdict = worst(findings, Verdict.CLEAN)
        return CaseResult(Case(()), self.conditions.seed, verdict, Declared(TRAFFIC), moved, findings)


TRAFFIC = Expectation(tolerated=dict.fromkeys(GOOD_FRAMES.values(), "traffic"))


def unclean(seen: Observation, truth: Mapping[str, int] | None) -> Iterable[Finding]:
    if seen.failure is None and not any(t.at is not None for t in seen.events or ()):
        yield Finding(Verdict.UNSYNCED, None, "no hyperframe sync")
    still = Observation(dict.fromkeys(seen.counters, 0), (), True)
    for finding in judge(Declared(TRAFFIC), still, seen, 0, truth):
        if finding.verdict is Verdict.SIDE_EFFECT:
            by = seen.counters[finding.counter or ""]
            yield Finding(
                Verdict.DIRTY, finding.counter, f"{finding.counter} moved by {by:+d} without a fault"
            )
        else:
            yield finding


def run_case(case: Case, baselines: Baselines) -> CaseResult:
    """One case on a fresh link; LEFT_OUT where a fault has no place in such a link."""
    conditions = baselines.conditions
    faults = [_at(parse_fault(text), conditions.fault_hyperframe) for text in case.faults]
    length = length_for(faults, conditions)
    try:
        sent = transmit(conditions, faults, length)
    except InputError as reason:
        finding = Finding(Verdict.LEFT_OUT, None, str(reason))
        return CaseResult(case, conditions.seed, Verdict.LEFT_OUT, None, {}, (finding,))
    declared = declare(faults, conditions, length)
    baseline, unclean = baselines.of(length)
    seen = observe(sent, conditions.option, baselines.receiver)
    first = min((place.hyperframe for place in sent.placed), default=0)
    findings = [f for f in unclean if f.verdict in (Verdict.CRASHED, Verdict.UNSYNCED)]
    if not findings:
        findings = judge(declared, baseline, seen, first, sent.truth)
    for place in sent.placed:
        if not place.sent:
            text = f"{place.text}: the frame did not leave in time; give more --hyperframes"
            findings.insert(0, Finding(Verdict.NOT_SENT, None, text))
    return conclude(
        case, conditions.seed, declared, baseline, seen, first, findings, sent.placed, _excerpts(sent)
    )


def conclude(
    case: Case,
    seed: int | None,
    declared: Declared,
    baseline: Observation,
    seen: Observation,
    first: int,
    findings: Sequence[Finding],
    placed: Sequence[PlacedFault],
    excerpts: Iterable[Excerpt],
) -> CaseResult:
    """The result of a case whose first fault is at hyperframe `first`; `findings` is all that is wrong with it."""
    moved: dict[str, int] = {}
    detected: int | None = None
    recovered: int | None = None
    if seen.failure is None and baseline.failure is None:
        moved = difference(baseline, seen)
        news = beyond(baseline.events or (), seen.events or ())
        detected = min(told(news, declared, first), default=None)
        recovered = recovery(news, seen.events or (), first) if seen.in_sync else None
    return CaseResult(
        case,
        seed,
        verdict_of(findings, declared, moved),
        declared,
        moved,
        tuple(findings),
        tuple(placed),
        detected,
        recovered,
        tuple(excerpts) if findings else (),
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
            yield frame_excerpt(place.text, place.frame)


def frame_excerpt(fault: str, frame: bytes) -> Excerpt:
    """The end of a frame, its FCS last."""
    tail = frame[-2 * _EXCERPT_REACH - 1 :]
    # The FCS where that is the damage, else the last octet before the frame ends or breaks off.
    fcs = {"hdlc.fcs": 2, "ethernet.fcs": 4}.get(fault.partition("@")[0].partition("_")[0], 1)
    octets = tuple(f"{octet:02X}" for octet in tail)
    at = max(0, len(tail) - fcs)
    return Excerpt(fault, len(frame) - len(tail), at, octets, f"end of the frame, {len(frame)} octets")


def run_campaign(
    conditions: Conditions,
    chosen: Sequence[Case],
    *,
    repeat: int = 1,
    fail_fast: bool = False,
    receiver: ReceiverFactory = LinkDecoder,
    bench: Bench | None = None,
    on_result: Callable[[CaseResult, int, int], object] = lambda result, done, planned: None,
) -> Campaign:
    """Every chosen case on a fresh link, at `repeat` successive seeds; or `repeat` times on a `bench`.

    `on_result` is called after each case. KeyboardInterrupt ends it, and a link that is gone; what was done is
    returned. A link that does not even give a baseline is an InputError.
    """
    faulty = [case for case in chosen if case.faults]
    campaign = Campaign(conditions, planned=repeat * (1 + len(faulty)))

    def add(result: CaseResult) -> bool:
        campaign.results.append(result)
        on_result(result, len(campaign.results), campaign.planned)
        return fail_fast and not result.passed

    try:
        for number in range(repeat):
            now = bench
            if now is None:
                assert isinstance(conditions, LinkConditions)
                now = Baselines(replace(conditions, seed=conditions.seed + number), receiver)
            if add(now.baseline()):
                return campaign
            for case in faulty:
                if add(now.case(case)):
                    return campaign
    except KeyboardInterrupt:
        campaign.interrupted = True
    except MonitorError as trouble:
        if not campaign.results:
            raise
        campaign.interrupted, campaign.trouble = True, trouble
    return campaign
