"""From the catalogue's declarations to what a campaign holds a case to."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.frame_structure.controlwords import vendor_places
from decoders.line_coding.characters import LineForm

from ..faults.injector import reach
from ..faults.kinds import Context, Expectation, Fault
from ..faults.together import together
from ..faults.verdict import Declared
from .conditions import Conditions

__all__ = ["declare", "length_for"]

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
