"""Holds what a receiver delivered against what was due: each thing once, in order, unchanged, at its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence, Set
from itertools import groupby

from decoders.events import AlignmentChanged, FrameStatus, Plane

from ..faults.verdict import Finding, Timed, Verdict
from .due import Due, TimedDue
from .facts import Fact, by_plane, fact_text, facts_of

__all__ = ["delivered_otherwise"]

_MOST = 4
"""Findings told of one kind; the others are counted."""
_ONLY_IF_TOLD = frozenset(("L1 octet",))
"""A receiver need not tell these; what it tells must be right."""
_LINE_ERRORS = ("code errors", "block errors", "codeword errors")
_ALARMS = ("alarm raised", "alarm cleared", "HFNSYNC left")


def delivered_otherwise(due: Due, events: Sequence[Timed], delivers: Set[Plane]) -> list[Finding]:
    """Everything that did not arrive as it was due, of the planes that the receiver delivers."""
    wanted, seen = by_plane(due.facts), by_plane(facts_of(events))
    findings: list[Finding] = []
    for plane in Plane:
        if plane not in delivers:
            continue
        kinds = [kind for p, kind in dict.fromkeys((*wanted, *seen)) if p is plane and kind != "status"]
        for kind in dict.fromkeys(kinds):
            expected = [f for f in wanted.get((plane, kind), ()) if f.hyperframe not in due.blind]
            told = list(seen.get((plane, kind), ()))
            observed = [f for f in told if f.hyperframe not in due.blind]
            for fact in due.optional:
                if fact in observed and fact not in expected:
                    observed.remove(fact)
            if kind == "frame" and due.optional:
                observed = _without_spoilt(due, observed)
            if kind in _LINE_ERRORS:  # they are counted out of sync, too, but belong to no hyperframe
                observed = [f for f in observed if f.hyperframe not in due.lost]
            if kind in _ONLY_IF_TOLD and not observed:
                continue
            if kind in _ALARMS:
                left, missing = _without_timed(due, plane, kind, told)
                observed = [f for f in left if f.hyperframe not in due.blind]
                findings += missing
            findings += _limited(kind, list(_differences(expected, observed)))
            if kind == "frame" and due.blind:
                findings += _limited(kind, list(_made_up(due, told)))
    if Plane.LINE in delivers and due.alignments:
        findings += _alignment(due, events)
    if Plane.SYNC in delivers:
        findings += _limited("status", list(_status(due, seen.get((Plane.SYNC, "status"), ()), delivers)))
    return findings


def _without_spoilt(due: Due, observed: Sequence[Fact]) -> list[Fact]:
    """Frames without those damaged ones that began where nothing is held exactly; one of each at the most."""
    left, spoilt = [], {(fact.plane, fact.hyperframe) for fact in due.optional}
    for fact in observed:
        place = (fact.plane, fact.hyperframe)
        if place in spoilt and fact.what[0] != FrameStatus.GOOD:
            spoilt.discard(place)
        else:
            left.append(fact)
    return left


def _without_timed(
    due: Due, plane: Plane, kind: str, observed: Sequence[Fact]
) -> tuple[list[Fact], list[Finding]]:
    """What is left of `observed` without the alarms that may come a little sooner or later, and what is missing."""
    left, findings = list(observed), []
    for timed in due.timed:
        fact = timed.fact
        if (fact.plane, fact.kind) != (plane, kind):
            continue
        hit = next(
            (f for f in left if f.what == fact.what and timed.first <= f.hyperframe <= timed.last), None
        )
        if hit is not None:
            left.remove(hit)
        else:
            findings.append(_untimely(timed, left))
    return left, findings


def _untimely(timed: TimedDue, left: list[Fact]) -> Finding:
    fact = timed.fact
    other = next((f for f in left if f.what == fact.what), None)
    at = f"hf {timed.first}" + (f" to {timed.last}" if timed.last > timed.first else "")
    if other is None:
        return _finding(Verdict.LOST, fact, f"{fact_text(fact)} at {at}", "nothing")
    left.remove(other)
    return _finding(Verdict.LATE, fact, f"{fact_text(fact)} at {at}", f"hf {other.hyperframe}")


def _differences(expected: Sequence[Fact], observed: Sequence[Fact]) -> Iterator[Finding]:
    missing, extra = Counter(expected) - Counter(observed), Counter(observed) - Counter(expected)
    if not missing and not extra:
        if expected and expected[0].kind != "frame":  # what is of one hyperframe has no order, but frames
            expected, observed = (_by_hyperframe(expected), list(observed))
            if [f.hyperframe for f in observed] == [f.hyperframe for f in expected]:
                return
        if list(expected) != list(observed):
            at = next(
                i for i, (one, other) in enumerate(zip(expected, observed, strict=True)) if one != other
            )
            yield _finding(
                Verdict.UNTRUE, expected[at], _at(expected[at]), f"{_at(observed[at])}: another order"
            )
        return
    surplus = list(extra.elements())
    for fact in missing.elements():
        verdict, other = _nearest(fact, surplus)
        if other is not None:
            surplus.remove(other)
        yield _finding(verdict, fact, _at(fact), "nothing" if other is None else _at(other))
    for fact in surplus:
        twice = any(fact == known for known in expected)
        yield _finding(Verdict.EXTRA, fact, "nothing" + (" more" if twice else ""), _at(fact))


def _by_hyperframe(facts: Sequence[Fact]) -> list[Fact]:
    return sorted(facts, key=lambda fact: fact.hyperframe)


def _nearest(fact: Fact, surplus: Sequence[Fact]) -> tuple[Verdict, Fact | None]:
    """What a receiver told in place of a fact."""
    for other in surplus:
        if other.hyperframe == fact.hyperframe and fact.kind == "octet" and other.what[3:] == fact.what[3:]:
            return Verdict.MISPLACED, other
    for other in surplus:
        if other.hyperframe == fact.hyperframe:
            return Verdict.CORRUPTED, other
    for other in surplus:
        if other.what == fact.what:
            return Verdict.MISPLACED, other
    return Verdict.LOST, None


def _made_up(due: Due, told: Sequence[Fact]) -> Iterator[Finding]:
    """Good frames that nobody has sent, where the receiver was out of step."""
    for fact in told:
        if (
            fact.hyperframe in due.blind
            and fact.what[0] == FrameStatus.GOOD
            and fact.what[2] not in due.sent_good
        ):
            yield _finding(Verdict.EXTRA, fact, "nothing", _at(fact))


def _status(due: Due, told: Sequence[Fact], delivers: Set[Plane]) -> Iterator[Finding]:
    """BFN, HFN and accepted settings as the receiver holds them for true."""
    for fact in told:
        at = fact.hyperframe
        if at in due.blind or not 0 <= at < len(due.timing):
            continue
        bfn, hfn, l1 = fact.what
        for name, now, right in zip(("BFN", "HFN"), (bfn, hfn), due.timing[at], strict=True):
            if now is not None and now != right:
                yield _finding(Verdict.CORRUPTED, fact, f"{name} {right} at hf {at}", f"{name} {now}")
        settings = due.settings[at]
        if settings is None or Plane.L1 not in delivers:
            continue
        known = dict(zip(("protocol_version", "hdlc_rate_code", "pointer_p"), settings, strict=True))
        for name, now in l1:
            if name in known and now != known[name]:
                wanted = f"{name} {known[name]} at hf {at}"
                yield _finding(Verdict.CORRUPTED, fact._replace(plane=Plane.L1), wanted, f"{name} {now}")


def _alignment(due: Due, events: Sequence[Timed]) -> Iterator[Finding]:
    """The word alignment offsets as told, one after the other."""
    told = [timed.event for timed in events if isinstance(timed.event, AlignmentChanged)]
    offsets = tuple(offset for offset, _ in groupby(event.slip_bits for event in told))
    if offsets != due.alignments:
        wanted, seen = (", then ".join(map(str, some)) or "none" for some in (due.alignments, offsets))
        text = f"line: expected alignment offset {wanted}, observed {seen}"
        yield Finding(Verdict.CORRUPTED, None, text, Plane.LINE, None, wanted, seen)
    for event in told:
        if event.bit_offset % due.aligned_bits != event.slip_bits:
            wanted = f"a sync byte at a bit of the stream with the alignment offset {event.slip_bits}"
            seen = f"bit {event.bit_offset}"
            text = f"line: expected {wanted}, observed {seen}"
            yield Finding(Verdict.CORRUPTED, None, text, Plane.LINE, None, wanted, seen)


def _at(fact: Fact) -> str:
    return f"{fact_text(fact)} at hf {fact.hyperframe}"


def _finding(verdict: Verdict, fact: Fact, expected: str, observed: str) -> Finding:
    text = f"{fact.plane.value}: expected {expected}, observed {observed}"
    return Finding(verdict, None, text, fact.plane, fact.hyperframe, expected, observed)


def _limited(kind: str, findings: list[Finding]) -> list[Finding]:
    if len(findings) <= _MOST:
        return findings
    last, more = findings[_MOST - 1], len(findings) - _MOST
    text = f"{last.text}; and {more} more of this kind ({kind})"
    return [
        *findings[: _MOST - 1],
        Finding(last.verdict, None, text, last.plane, last.hyperframe, last.expected, last.observed),
    ]
