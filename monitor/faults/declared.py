"""From the catalogue's declarations to what a campaign holds a case to: one small adapter."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.characters import LineForm
from decoders.events import COUNTERS, Plane

from .catalogue import Context, Fault, Layer
from .transmission import LinkConditions
from .verdict import Declared

__all__ = ["declare", "unfit"]


def unfit(fault: Fault, conditions: LinkConditions) -> str | None:
    """Why a fault cannot be judged in this raw form, or None."""
    name, form = fault.kind.name, conditions.form
    if fault.kind.layer is Layer.BITS and form is not LineForm.BITS:
        return f"fault {name}: {form.value} hold no line bits"
    if fault.kind.layer is Layer.SYMBOLS and not form.has_flags:
        return f"fault {name}: {form.value} tell nothing of the line code"
    return None


def declare(faults: Sequence[Fault], conditions: LinkConditions) -> Declared:
    """What must follow from these faults together: the counts add up, what any one tolerates is tolerated."""
    required: dict[str, tuple[int, int | None]] = {}
    tolerated: dict[str, str] = {}
    disturbed: set[Plane] = set()
    places: set[tuple[int, int, int]] = set()
    for fault in faults:
        following = conditions.length - 1 - (fault.hyperframe or 0)
        expected = fault.expected(Context(conditions.line, following))
        if fault.needs_receiver:
            tolerated |= dict.fromkeys(COUNTERS, "hangs on the traffic around it")
            expected = dict.fromkeys(expected, 1)
        for name, count in expected.items():
            least, most = required.get(name, (0, 0))
            open_ended = fault.needs_receiver or most is None
            required[name] = (least + count, None if open_ended else (most or 0) + count)
        plane = Plane(fault.kind.plane) if fault.kind.plane in tuple(Plane) else None
        if plane in (Plane.HDLC, Plane.ETHERNET):
            disturbed.add(plane)
        if "lof_events" in expected or fault.needs_receiver:
            disturbed |= {Plane.HDLC, Plane.ETHERNET}
        if fault.kind.name == "vendor.value":
            places.add((fault.values["ns"], fault.values["xs"], fault.values["y"]))
    return Declared(required, tolerated, frozenset(disturbed), None, frozenset(places))
