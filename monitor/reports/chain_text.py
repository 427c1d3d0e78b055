"""Faults injected into a chain as text and as a JSON object: every point, what it expected, what it observed."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from ..campaign.chain_trial import ChainTrial, PointResult

__all__ = ["chain_trial_lines", "chain_trial_record"]

_WIDTH = 78


def chain_trial_record(trial: ChainTrial) -> dict[str, Any]:
    """The JSON object of a trial, without its schema and link."""
    return {
        "faults": [
            {
                "fault": injection.text,
                "segment": injection.segment.name,
                "hyperframe": injection.hyperframe,
                "expected": dict(injection.expected),
            }
            for injection in trial.injections
        ],
        "hyperframes": trial.hyperframes,
        "points": [_point_record(result) for result in trial.points],
        "passed": trial.passed,
    }


def _point_record(result: PointResult) -> dict[str, Any]:
    return {
        "point": result.point.name,
        "expected": result.declared.required,
        "tolerated": sorted(result.declared.expectation.tolerated),
        "moved": dict(result.moved),
        "verdict": result.verdict.value,
        "result": result.verdict.word,
        "findings": [
            {"verdict": finding.verdict.value, "counter": finding.counter, "text": finding.text}
            for finding in result.findings
        ],
    }


def chain_trial_lines(trial: ChainTrial) -> Iterator[str]:
    """A line or more for each fault and each point, and the verdict in a sentence."""
    for injection in trial.injections:
        yield from _wrapped(f"injected  {injection.text}")
    yield ""
    for result in trial.points:
        yield f"{result.verdict.word:5} {result.point.name:22} {result.verdict.value}"
        expected = ", ".join(f"{name}\xa0{by}" for name, by in result.declared.required.items())
        observed = ", ".join(f"{name}\xa0{by:+d}" for name, by in result.moved.items())
        if expected or observed:
            yield from _wrapped(f"expected {expected or 'no change'}; observed {observed or 'no change'}", 6)
        for finding in result.findings:
            yield from _wrapped(finding.text, 6)
    yield ""
    failed = [result.point.name for result in trial.points if not result.verdict.passed]
    if failed:
        yield from _wrapped(f"fail: not as expected at {', '.join(failed)}")
    else:
        yield "pass: every point of the chain sees what is expected there"


def _wrapped(text: str, indent: int = 0) -> list[str]:
    lines = wrap(
        text,
        _WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent or 10),
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\xa0", " ") for line in lines]
