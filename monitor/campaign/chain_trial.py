"""Faults on the emulated chain: what each of its points is expected to see, and what a decoder there sees.

The same chain runs twice, without the faults and with them; the one judge compares every point with its own
declaration, so a fault that shows where it must not is found as well as one that is missed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings

from ..emulation.chain import EmulatedChain
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.injector import reach
from ..faults.kinds import Expectation
from ..faults.segments import SegmentInjection, fault_and_segment
from ..faults.together import together
from ..faults.verdict import (
    GOOD_FRAMES,
    Declared,
    Finding,
    Observation,
    Timed,
    Verdict,
    difference,
    judge,
    verdict_of,
)
from ..sources.names import Segment

__all__ = ["ChainTrial", "PointResult", "chain_trial"]

FAULT_HYPERFRAME = 30
"""Where a fault goes that names no hyperframe."""
_ROOM = 24
MOST_HYPERFRAMES = 20_000
_STEP = 50


@dataclass(frozen=True, slots=True)
class PointResult:
    """One point: `moved` leaves good frames out."""

    point: Segment
    declared: Declared
    moved: Mapping[str, int]
    verdict: Verdict
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class ChainTrial:
    """The faults as injected, and every point's result, in the order of the chain's points."""

    injections: tuple[SegmentInjection, ...]
    hyperframes: int
    points: tuple[PointResult, ...]

    @property
    def passed(self) -> bool:
        return all(result.verdict.passed for result in self.points)


def chain_trial(
    open_chain: Callable[[], EmulatedChain], faults: Sequence[str], hyperframes: int | None = None
) -> ChainTrial:
    """Inject the faults into a chain, all in one run; `hyperframes` None observes as long as they need.

    InputError for a fault that cannot be, and for one beyond the end.
    """
    faulty = open_chain()
    injections = [faulty.inject(_placed(text)) for text in faults]
    length = hyperframes or _needed(injections)
    if length > MOST_HYPERFRAMES:
        raise InputError(f"{length} hyperframes: at most {MOST_HYPERFRAMES} on the emulated chain")
    for injection in injections:
        if injection.hyperframe >= length:
            raise InputError(f"fault {injection.text}: the stream ends with hyperframe {length - 1}")
    clean, seen = _observed(open_chain(), length), _observed(faulty, length)
    first = min(injection.hyperframe for injection in injections)
    results = []
    for point in faulty.points:
        expectation = Expectation(within_hyperframes=0)
        for injection in injections:
            one = injection.expectations[point]
            within = one.within_hyperframes + injection.hyperframe - first
            expectation = together(expectation, replace(one, within_hyperframes=within))
        declared = Declared(expectation)
        moved = difference(clean[point], seen[point])
        findings = judge(declared, clean[point], seen[point], first)
        told = {name: by for name, by in moved.items() if name not in GOOD_FRAMES.values()}
        results.append(
            PointResult(point, declared, told, verdict_of(findings, declared, moved), tuple(findings))
        )
    return ChainTrial(tuple(injections), length, tuple(results))


def _placed(text: str) -> str:
    """The text of a fault with its hyperframe."""
    bare, segment = fault_and_segment(text)
    fault = parse_fault(bare)
    if segment is None or fault.hyperframe is not None:
        return text
    placed = replace(fault, hyperframe=FAULT_HYPERFRAME).text
    return f"{placed}{',' if ':' in placed else ':'}segment={segment}"


def _needed(injections: Sequence[SegmentInjection]) -> int:
    """Hyperframes in which the faults come and go at every point."""
    ends = []
    for injection in injections:
        lasts = reach(parse_fault(fault_and_segment(injection.text)[0])) or 0
        within = max(expectation.within_hyperframes for expectation in injection.expectations.values())
        ends.append(injection.hyperframe + max(lasts, within) + _ROOM)
    return max(ends)


def _observed(chain: EmulatedChain, hyperframes: int) -> dict[Segment, Observation]:
    """What a decoder at each point makes of so many hyperframes."""
    settings = LinkSettings(option=chain.option.name, form=LineForm.SYMBOLS)
    decoders = {point: LinkDecoder(settings) for point in chain.points}
    events: dict[Segment, list[Event]] = {point: [] for point in chain.points}
    left = hyperframes
    while left:
        step = min(left, _STEP)
        left -= step
        for point, symbols in chain.step(step).items():
            events[point] += decoders[point].receive(symbols.astype("<u2").view(np.uint8))
    return {
        point: Observation(
            dict(decoder.counters),
            [Timed(event.hyperframe, event) for event in events[point]],
            decoder.state.value == "HFNSYNC",
        )
        for point, decoder in decoders.items()
    }
