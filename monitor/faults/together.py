"""Declarations of several faults as one: what they expect adds up."""

from __future__ import annotations

from collections.abc import Sequence

from .kinds import Expectation, Range

__all__ = ["UNBOUNDED", "together"]

UNBOUNDED = 10**12


def together(one: Expectation, other: Expectation) -> Expectation:
    """Both declarations at once. A counter that both name moves by the sum of what each allows."""
    tolerated = {**one.tolerated, **other.tolerated}
    exact = dict(one.exact)
    for name, by in other.exact.items():
        exact[name] = exact.get(name, 0) + by
    ranges: list[Range] = []
    spread = {name for r in (*one.ranges, *other.ranges) for name in r.counters}
    for r in (*one.ranges, *other.ranges):
        more = sum(exact.get(name, 0) for name in r.counters)
        open_ended = any(name in tolerated for name in r.counters)
        ranges.append(Range(r.counters, r.low + more, UNBOUNDED if open_ended else r.high + more))
    for name in tolerated.keys() & exact.keys():
        ranges.append(Range((name,), exact[name], UNBOUNDED))
    return Expectation(
        {name: by for name, by in exact.items() if name not in spread and name not in tolerated},
        tuple(_merged(ranges)),
        {name: why for name, why in tolerated.items() if name not in spread and name not in exact},
        (*one.raised, *other.raised),
        (*one.cleared, *other.cleared),
        max(one.within_hyperframes, other.within_hyperframes),
    )


def _merged(ranges: Sequence[Range]) -> list[Range]:
    """Ranges of the same counters as one: their bounds add up."""
    out: dict[tuple[str, ...], Range] = {}
    for r in ranges:
        had = out.get(r.counters, Range(r.counters, 0, 0))
        out[r.counters] = Range(r.counters, had.low + r.low, min(UNBOUNDED, had.high + r.high))
    return list(out.values())
