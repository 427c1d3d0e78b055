"""From the catalogue's declarations to what a campaign holds a case to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from decoders.events import Alarm, Origin
from decoders.line_coding.characters import LineForm

from ..faults.block_faults import LOS_NOT_JUDGED
from ..faults.channel_faults import waiting_hyperframes
from ..faults.injector import reach
from ..faults.kinds import Context, Expectation, Fault, Layer
from ..faults.standard import vendor_octets
from ..faults.together import UNBOUNDED, together
from ..faults.verdict import Declared
from .conditions import Conditions
from .due import Due

__all__ = ["declare", "ends_out_of_sync", "length_for", "listed", "listed_open"]

_ROOM = 12
"""Hyperframes after everything must have shown, to see that nothing else follows and sync is back."""


def _context(fault: Fault, conditions: Conditions, length: int | None) -> Context:
    at, line = fault.hyperframe or 0, conditions.sent_line
    return Context(
        option=conditions.line,
        following=None if length is None else length - 1 - at,
        preceding=at,
        hfn=conditions.hfn_at(at),
        flags=conditions.form.has_flags,
        bits=conditions.form is LineForm.BITS,
        pointer_p=conditions.pointer_p,
        hdlc_rate_code=conditions.rate_code,
        version=line.version,
        blocks=conditions.form in (LineForm.BITS, LineForm.BLOCKS),
        fec=line.fec,
        scrambling=line.scrambling,
    )


def length_for(faults: Sequence[Fault], conditions: Conditions) -> int:
    """Hyperframes of a transmission in which the faults come and go."""
    least = conditions.length
    if conditions.hyperframes is None:
        queued: dict[str, int] = {}
        for fault in faults:
            context = _context(fault, conditions, None)
            within = fault.expectation(context).within_hyperframes
            if fault.kind.layer is Layer.CHANNEL:
                # Frames of one channel leave one after the other.
                before = waiting_hyperframes(fault.kind.plane, context)
                queued[fault.kind.plane] = queued.get(fault.kind.plane, before) + within - before
                within = queued[fault.kind.plane]
            # A fault that goes on for ever is watched for the usual time.
            least = max(least, (fault.hyperframe or 0) + max(within, reach(fault) or 0) + _ROOM)
    return -(-least // 8) * 8


def ends_out_of_sync(faults: Sequence[Fault], conditions: Conditions) -> bool:
    """Whether a fault leaves no sync word up to the end of the stream: an inverted line of 64B/66B."""
    blocks = conditions.line.line_code == "64b66b"
    return blocks and any(fault.kind.name == "line.invert" and reach(fault) is None for fault in faults)


def listed(due: Due, clean: Mapping[str, int]) -> Declared:
    """What the sender's list says of a case of many faults, against `clean` counters without any."""
    moved = {name: total - clean.get(name, 0) for name, total in due.counters.items()}
    raised = {("los", "los_events"), ("lof", "lof_events")}
    alarms = tuple((Alarm(alarm), Origin.LOCAL) for alarm, name in sorted(raised) if moved.get(name))
    exact = {name: by for name, by in moved.items() if by}
    return Declared(Expectation(exact, (), {}, alarms, within_hyperframes=UNBOUNDED))


def listed_open(due: Due, clean: Mapping[str, int]) -> Declared:
    """As `listed`, where LOS may be raised or may not: only what does not hang on it is exact."""
    moved = {name: due.counters[name] - clean.get(name, 0) for name in due.exact}
    exact = {name: by for name, by in moved.items() if by}
    tolerated = {name: why for name, why in LOS_NOT_JUDGED.items() if name not in exact}
    return Declared(Expectation(exact, (), tolerated, within_hyperframes=UNBOUNDED))


def declare(faults: Sequence[Fault], conditions: Conditions, length: int) -> Declared:
    """What must follow from these faults in a transmission of `length` hyperframes."""
    total = Expectation(within_hyperframes=0)
    places: set[tuple[int, int, int]] = set()
    for fault in faults:
        total = together(total, fault.expectation(_context(fault, conditions, length)))
        if fault.kind.plane == "vendor":
            places.add((fault.values["ns"], fault.values["xs"], fault.values["y"]))
    known = vendor_octets(conditions.option, conditions.pointer_p).places.tolist()
    named = frozenset(place for place in places if list(place) in known)
    # Where other vendor specific octets may change too, there is no saying which are named.
    return Declared(total, frozenset() if "vendor_changes" in total.tolerated else named)
