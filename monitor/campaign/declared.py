"""From the catalogue's declarations to what a campaign holds a case to: faults together add up."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.frame_structure.controlwords import vendor_places
from decoders.line_coding.characters import LineForm

from ..faults.injector import reach
from ..faults.kinds import Context, Expectation, Fault, Range
from ..faults.verdict import Declared
from .conditions import Conditions

__all__ = ["declare", "length_for", "together"]

UNBOUNDED = 10**12
_ROOM = 12
"""Hyperframes after everything must have shown, to see that nothing else follows and sync is back."""


def _context(fault: Fault, conditions: Conditions, length: int | None) -> Context:
    at = fault.hyperframe or 0
    return Context(
        option=conditions.line,
        following=None if length is None else length - 1 - at,
        preceding=at,
        hfn=conditions.hfn_at(at),
        flags=conditions.form.has_flags,
        bits=conditions.form is LineForm.BITS,
        pointer_p=conditions.pointer_p,
        hdlc_rate_code=conditions.rate_code,
    )


def length_for(faults: Sequence[Fault], conditions: Conditions) -> int:
    """Hyperframes of a transmission in which the faults come and go."""
    least = conditions.length
    if conditions.hyperframes is None:
        for fault in faults:
            expectation = fault.expectation(_context(fault, conditions, None))
            # A fault that goes on for ever is watched for the usual time.
            lasts = max(expectation.within_hyperframes, reach(fault) or 0)
            least = max(least, (fault.hyperframe or 0) + lasts + _ROOM)
    return -(-least // 8) * 8


def declare(faults: Sequence[Fault], conditions: Conditions, length: int) -> Declared:
    """What must follow from these faults in a transmission of `length` hyperframes."""
    total = Expectation(within_hyperframes=0)
    places: set[tuple[int, int, int]] = set()
    for fault in faults:
        total = together(total, fault.expectation(_context(fault, conditions, length)))
        if fault.kind.plane == "vendor":
            places.add((fault.values["ns"], fault.values["xs"], fault.values["y"]))
    known = vendor_places(conditions.option, conditions.pointer_p).triples.tolist()
    named = frozenset(place for place in places if list(place) in known)
    # Where other vendor specific octets may change too, there is no saying which are named.
    return Declared(total, frozenset() if "vendor_changes" in total.tolerated else named)


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
