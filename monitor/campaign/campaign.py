"""The negative-test campaign: a clean baseline, then each fault alone on a fresh link, then some together.

Every case sends one seeded transmission to a new receiver. What it delivers is held against the sender's list, thing
by thing; what moves, against the baseline of the same seed and length, to what the faults declare. It draws nothing
and reads no clock, so the same conditions give the same results, octet for octet.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple, Protocol, runtime_checkable

from decoders.counters import COUNTERS
from decoders.events import AlarmCleared, AlarmRaised, Event, Origin, Plane, SyncStateChanged
from decoders.line_coding.characters import LineForm
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
from .declared import declare, ends_out_of_sync, length_for, listed, listed_open
from .deliveries import delivered_otherwise
from .due import Due, due_of
from .known_answers import AnswerResult, check_known_answers
from .receivers import OWN_DECODER, ReceiverFactory, ReceiverUnderTest
from .results import Campaign, CaseResult, Excerpt
from .served import Served, only_served
from .transmission import PlacedFault, Transmission, around, transmit

__all__ = [
    "BASELINE_HYPERFRAMES",
    "TRAFFIC",
    "AnsweringBench",
    "Baselines",
    "Bench",
    "LineCount",
    "as_ended",
    "conclude",
    "frame_excerpt",
    "observe",
    "run_campaign",
    "run_case",
    "unclean",
    "unproven",
]

BASELINE_HYPERFRAMES = 320
"""Two 10 ms frames and more: what changes with the frame number changes in them."""
_EXCERPT_REACH = 16


class Missing(Protocol):
    """What counts hyperframes that went by while sync was lost."""

    @property
    def hyperframes_missed(self) -> int: ...


class LineCount:
    """Puts a receiver's events on the line's count of hyperframes.

    Receivers number from the first hyperframe they decode, the line's number `first`, and leave out those that went
    by while sync was lost; at each new lock these are counted in.
    """

    def __init__(self, first: int = 0) -> None:
        self._locks: list[tuple[int, int]] = [(0, first)]
        self._first = first

    def timed(self, events: Iterable[Event], receiver: Missing) -> list[Timed]:
        out = []
        for event in events:
            number = event.hyperframe
            if isinstance(event, SyncStateChanged) and event.old == "XACQ1" and number is not None:
                self._locks.append((number, self._first + receiver.hyperframes_missed))
            if number is None:
                out.append(Timed(None, event))
                continue
            missed = self._locks[-1][1]
            local = isinstance(event, AlarmRaised | AlarmCleared) and event.origin is Origin.LOCAL
            if not local and not isinstance(event, SyncStateChanged):
                missed = next(gone for lock, gone in reversed(self._locks) if lock <= number)
            out.append(Timed(number + missed, event))
        return out


def observe(
    transmission: Transmission, option: str, receiver: ReceiverFactory = OWN_DECODER, first: int = 0
) -> tuple[Observation, Served]:
    """What a new receiver makes of a transmission; whatever it raises is a finding, not an exception.

    `first`: the hyperframe of the line that it decodes first.
    """
    timed: list[Timed] = []
    served = Served()
    count = LineCount(first)
    try:
        under_test = receiver(LinkSettings(option=option, form=transmission.form))
        for data in transmission.chunks:
            timed += count.timed(under_test.receive(data), under_test)
        timed += count.timed(under_test.finish(), under_test)
        served = Served(frozenset(under_test.serves), frozenset(under_test.delivers))
        counters = dict.fromkeys(COUNTERS, 0) | dict(under_test.counters)
        in_sync = under_test.state in (None, "HFNSYNC")
    except Exception as failure:  # a receiver under test may do anything
        return Observation({}, timed, False, f"{type(failure).__name__}: {failure}"), served
    return Observation(counters, timed, in_sync), served


class Bench(Protocol):
    """What faults are put into, one case after the other."""

    def baseline(self) -> CaseResult:
        """The link without a fault."""
        ...

    def case(self, case: Case) -> CaseResult:
        """One case; InputError where the link is gone."""
        ...


@runtime_checkable
class AnsweringBench(Protocol):
    """A bench whose link can be held against known answers before the cases."""

    def known_answers(self) -> list[AnswerResult]:
        """A row for each answer; InputError where the link is gone."""
        ...


class Clean(NamedTuple):
    """A link without faults: what a receiver made of it, what is wrong with that, and the right counters."""

    seen: Observation
    findings: tuple[Finding, ...]
    counters: Mapping[str, int]


class Baselines:
    """A Bench of fresh links; what the receiver makes of each without faults, for each length asked for."""

    def __init__(self, conditions: LinkConditions, receiver: ReceiverFactory = OWN_DECODER) -> None:
        self.conditions = conditions
        self.receiver = receiver
        self.served = Served()
        self._known: dict[tuple[LinkConditions, int], Clean] = {}

    def of(self, length: int, conditions: LinkConditions) -> Clean:
        key = (conditions, length)
        if key not in self._known:
            sent = transmit(conditions, (), length)
            due = _due(sent, conditions)
            seen, served = observe(sent, conditions.option, self.receiver, due.first)
            self.served = served
            findings = unclean(seen, due, served)
            # What was said is no longer needed, but for what tells of damage.
            told = replace(seen, events=beyond((), seen.events or ()))
            self._known[key] = Clean(told, tuple(findings), due.counters)
        return self._known[key]

    def case(self, case: Case) -> CaseResult:
        return run_case(case, self)

    def baseline(self) -> CaseResult:
        conditions = replace(self.conditions, every_plane=True)
        length = max(length_for((), conditions), BASELINE_HYPERFRAMES)
        clean = self.of(length, conditions)
        if not self.served.judged and not clean.findings:
            return _left_out(Case(()), self.conditions.seed, "the receiver does not serve any plane")
        moved = {name: value for name, value in clean.seen.counters.items() if value}
        verdict = worst(clean.findings, Verdict.CLEAN)
        return CaseResult(Case(()), self.conditions.seed, verdict, Declared(TRAFFIC), moved, clean.findings)


TRAFFIC = Expectation(tolerated=dict.fromkeys(GOOD_FRAMES.values(), "traffic"))


def unclean(seen: Observation, due: Due | None, served: Served) -> list[Finding]:
    """What is not as it should be on a link without a fault; without `due` only counters are judged."""
    if seen.failure is not None:
        return [Finding(Verdict.CRASHED, None, seen.failure)]
    if not seen.in_sync:
        return [Finding(Verdict.UNSYNCED, None, "no hyperframe sync")]
    still = Observation(dict.fromkeys(seen.counters, 0), (), True)
    if due is None:
        findings = judge(Declared(TRAFFIC), still, seen)
    else:
        anything = Expectation(tolerated=dict.fromkeys(COUNTERS, "held against the sender's list"))
        delivered = delivered_otherwise(due, seen.events or (), served.delivers)
        findings = judge(Declared(anything), still, seen, truth=_certain(due), delivered=delivered)
    dirty = (Verdict.SIDE_EFFECT, Verdict.UNTRUE)
    return [
        replace(f, verdict=Verdict.DIRTY, text=f"without a fault, {f.text}") if f.verdict in dirty else f
        for f in only_served(findings, served)
    ]


def _certain(due: Due) -> Mapping[str, int]:
    return {name: total for name, total in due.counters.items() if name in due.exact}


def _due(sent: Transmission, conditions: LinkConditions) -> Due:
    assert sent.stream is not None
    lead = conditions.delay_bits if sent.form is LineForm.BITS else None
    types = sent.form in (LineForm.BITS, LineForm.BLOCKS)
    return due_of(sent.stream, flags=sent.form.has_flags, lead_bits=lead, types=types)


def run_case(case: Case, baselines: Baselines) -> CaseResult:
    """One case on a fresh link; LEFT_OUT where a fault has no place in such a link."""
    try:
        conditions = case.conditions(baselines.conditions)
        faults = [_at(parse_fault(text), conditions.fault_hyperframe) for text in case.faults]
        length = length_for(faults, conditions)
        sent = transmit(conditions, faults, length)
    except InputError as reason:
        return _left_out(case, baselines.conditions.seed, str(reason), no_place=True)
    clean = baselines.of(length, conditions)
    due = _due(sent, conditions)
    declared = declare(faults, conditions, length)
    if case.title and not due.blind:
        declared = listed(due, clean.counters)
    elif case.title and due.exact:
        declared = listed_open(due, clean.counters)
    seen, served = observe(sent, conditions.option, baselines.receiver, due.first)
    if seen.failure is None and (fewer := baselines.served.serves - served.serves):
        names = " and ".join(sorted(fewer))
        seen = replace(seen, failure=f"no longer serves {names}, as it did without a fault")
    if served.judged.isdisjoint(case.planes) and seen.failure is None:
        return _left_out(
            case, conditions.seed, f"the receiver does not serve {' and '.join(sorted(case.planes))}"
        )
    seen = as_ended(seen, ends_out_of_sync(faults, conditions))
    first = min((place.hyperframe for place in sent.placed), default=0)
    findings = [f for f in clean.findings if f.verdict in (Verdict.CRASHED, Verdict.UNSYNCED)]
    if not findings:
        delivered = delivered_otherwise(due, seen.events or (), served.delivers)
        findings = judge(declared, clean.seen, seen, first, _certain(due), delivered)
        findings = only_served(findings, served)
    for place in sent.placed:
        if not place.sent:
            text = f"{place.text}: the frame did not leave in time; give more --hyperframes"
            findings.insert(0, Finding(Verdict.NOT_SENT, None, text))
    result = conclude(
        case,
        conditions.seed,
        declared,
        clean.seen,
        seen,
        first,
        findings,
        sent.placed,
        _excerpts(sent, findings),
    )
    if case.plane == Plane.LINE and not conditions.form.has_flags:
        result = unproven(result, f"line data of form {conditions.form.value} show no code errors")
    return replace(result, held=len(due.facts))


def as_ended(seen: Observation, out_of_sync: bool) -> Observation:
    """Where the line is unreadable to the end a right receiver is not in sync; one that says it is has failed."""
    if not out_of_sync or seen.failure is not None:
        return seen
    if seen.in_sync:
        return replace(seen, failure="in HFNSYNC at the end of a line without sync words")
    return replace(seen, in_sync=True)


def _left_out(case: Case, seed: int, why: str, *, no_place: bool = False) -> CaseResult:
    finding = Finding(Verdict.LEFT_OUT, None, why)
    return CaseResult(case, seed, Verdict.LEFT_OUT, None, {}, (finding,), no_place=no_place)


def unproven(result: CaseResult, why: str) -> CaseResult:
    """The result, not proven where nothing had to change: that nothing did is no proof where nothing else is held."""
    if result.verdict not in (Verdict.SILENT, Verdict.BOUNDED):
        return result
    return replace(result, verdict=Verdict.UNPROVEN, findings=(Finding(Verdict.UNPROVEN, None, why),))


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


def _excerpts(sent: Transmission, findings: Sequence[Finding]) -> Iterable[Excerpt]:
    for place in sent.placed[:8] if findings else ():
        if place.offset_octets is not None:
            first, octets = around(sent, place.offset_octets, _EXCERPT_REACH)
            if not octets:
                continue
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
    receiver: ReceiverUnderTest | ReceiverFactory = OWN_DECODER,
    bench: Bench | None = None,
    known_answers: bool = False,
    on_result: Callable[[CaseResult, int, int], object] = lambda result, done, planned: None,
) -> Campaign:
    """Every chosen case on a fresh link, at `repeat` successive seeds; or `repeat` times on a `bench`.

    With `known_answers` it begins with streams that no code of this project made. `on_result` is called after each
    case. KeyboardInterrupt ends it, and a link that is gone; what was done is returned. A link that does not even
    give a baseline is an InputError.
    """
    faulty = [case for case in chosen if not case.is_baseline]
    named = receiver if isinstance(receiver, ReceiverUnderTest) else ReceiverUnderTest("a receiver", receiver)
    campaign = Campaign(
        conditions, planned=repeat * (1 + len(faulty)), receiver=named.name, own_receiver=named.own
    )
    clock = time.perf_counter()

    def add(result: CaseResult) -> bool:
        nonlocal clock
        before, clock = clock, time.perf_counter()
        result = replace(result, seconds=clock - before)
        campaign.results.append(result)
        on_result(result, len(campaign.results), campaign.planned)
        return fail_fast and not result.passed

    try:
        if known_answers:
            if bench is None:
                campaign.answers = check_known_answers(receiver, conditions.form)
            elif isinstance(bench, AnsweringBench):
                campaign.answers = bench.known_answers()
            clock = time.perf_counter()
            if fail_fast and not campaign.passed:
                return campaign
        for number in range(repeat):
            now = bench
            if now is None:
                assert isinstance(conditions, LinkConditions)
                now = Baselines(replace(conditions, seed=conditions.seed + number), receiver)
            done = add(now.baseline())
            if isinstance(now, Baselines):
                campaign.served = now.served
            if done or any(add(now.case(case)) for case in faulty):
                return campaign
    except KeyboardInterrupt:
        campaign.interrupted = True
    except MonitorError as trouble:
        if not campaign.results:
            raise
        campaign.interrupted, campaign.trouble = True, trouble
    return campaign
