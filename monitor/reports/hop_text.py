"""The delay budget of a chain of RE as text and as a record: picture, delays, buffers, margin, what changes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from decoders.link_delay.delay import TC_NS
from decoders.link_delay.hops import ChainDelays, RadioHead

from ..delay.hop_plans import HopPlan

__all__ = ["hop_lines", "hop_record", "picture"]


def picture(plan: HopPlan, *, ascii_only: bool = False) -> list[str]:
    """The chain or tree as lines of text."""
    tee, corner, bar, dash = ("|-", "`-", "| ", "-") if ascii_only else ("├─", "└─", "│ ", "─")

    def below(name: str, indent: str) -> Iterator[str]:
        behind = [head for head in plan.heads if head.after == name]
        for i, head in enumerate(behind):
            last = i == len(behind) - 1
            yield f"{indent}{corner if last else tee}{dash} {_link(head)} {dash}{dash} {head.name}"
            yield from below(head.name, indent + ("  " if last else bar) + "  ")

    return [plan.controller, *below(plan.controller, "")]


def _link(head: RadioHead) -> str:
    rate = head.line.line_rate_bps / 1e6
    return f"{head.length_m:g} m {head.medium.value} = {head.cable_ns:.1f} ns, {rate:g} Mbit/s"


def hop_lines(plan: HopPlan, changed: HopPlan | None = None, *, ascii_only: bool = False) -> list[str]:
    """The whole report; `changed` is the plan with replaced cables."""
    found = plan.delays()
    plus = "+-" if ascii_only else "±"
    lines = [
        f"{plan.name}: {len(plan.heads)} RE",
        *picture(plan, ascii_only=ascii_only),
        "",
    ]
    lines.append(
        f"  {'RE':10} {'hops':>4} {'one way ns':>12} {plus + 'U ns':>7} {'round trip ns':>14} {'T14 ns':>12}"
        f" {'buffer ns':>12} {'in Tc':>8}"
    )
    for h in found.heads:
        lines.append(
            f"  {h.head.name:10} {h.hops:4} {h.one_way_ns:12.3f} {2 * h.u_ns:7.3f} {h.round_trip_ns:14.3f}"
            f" {h.t14_ns:12.3f} {h.buffer_ns:12.3f} {h.buffer_ns / TC_NS:8.3f}"
        )
    lines += [
        "  one way: REC to antenna; round trip: REC to antenna and back; buffer: delay to add, so that all antennas",
        "  transmit at the same time; U: expanded uncertainty, coverage factor 2",
        f"  skew without buffers {found.skew_ns:.3f} ns",
        *_margin(found),
        "  effect of work on a link:",
    ]
    for effect in found.effects:
        heads = ", ".join(effect.heads)
        worst = found.error_ns + effect.uncompensated_ns
        fits = "within" if worst <= found.budget.limit_ns else "OUTSIDE"
        lines.append(
            f"    {effect.name} reset: up to {effect.uncompensated_ns:.3f} ns at {heads} if the alignment offset is"
            f" not compensated ({fits} the budget); one clock = {effect.one_clock_ns:.3f} ns"
        )
        text = f"    cable to {effect.name} replaced: {effect.ns_per_m:.3f} ns per metre at {heads}"
        if len(found.heads) > len(effect.heads) and found.margin_ns > 0:
            text += f"; an unmeasured {found.margin_ns / effect.ns_per_m:.2f} m uses up the margin"
        lines.append(text)
    if changed is not None:
        lines += _changes(found, changed.delays())
    lines.append(
        "verdict: " + ("pass" if found.margin_ns >= 0 else "fail: the budget is smaller than the uncertainty")
    )
    if ascii_only:
        lines = [line.encode("ascii", "replace").decode() for line in lines]
    return lines


def _margin(found: ChainDelays) -> list[str]:
    if found.worst is None:
        return ["  one RE only: there is no skew to compare with a budget"]
    return [
        f"  uncertainty of the skew with buffers {found.error_ns:.3f} ns (coverage factor 2), largest between"
        f" {found.worst[0]} and {found.worst[1]}",
        f"  budget {found.budget.limit_ns:g} ns ({found.budget.source}); margin {found.margin_ns:.3f} ns",
    ]


def _changes(before: ChainDelays, after: ChainDelays) -> list[str]:
    lines = ["  with the cables replaced:"]
    for old, new in zip(before.heads, after.heads, strict=True):
        lines.append(
            f"    {old.head.name:10} one way {old.one_way_ns:.3f} -> {new.one_way_ns:.3f} ns"
            f" ({new.one_way_ns - old.one_way_ns:+.3f}), buffer {old.buffer_ns:.3f} -> {new.buffer_ns:.3f} ns"
        )
    gaps = [new.one_way_ns - old.one_way_ns for old, new in zip(before.heads, after.heads, strict=True)]
    wrong = max(gaps) - min(gaps)
    fits = "within" if wrong + before.error_ns <= before.budget.limit_ns else "OUTSIDE"
    lines.append(f"    with the old buffers the RE are {wrong:.3f} ns apart: {fits} the budget")
    return lines


def _delays_record(found: ChainDelays) -> dict[str, Any]:
    return {
        "heads": [
            {
                "name": h.head.name,
                "after": h.head.after,
                "hops": h.hops,
                "cable_ns": h.head.cable_ns,
                "one_way_ns": h.one_way_ns,
                "one_way_standard_uncertainty_ns": h.u_ns,
                "round_trip_ns": h.round_trip_ns,
                "t14_ns": h.t14_ns,
                "buffer_ns": h.buffer_ns,
                "uncertainty_sources_ns": dict(h.doubts_ns),
            }
            for h in found.heads
        ],
        "skew_ns": found.skew_ns,
        "buffered_error_ns": found.error_ns,
        "coverage_factor": 2.0,
        "worst_pair": None if found.worst is None else list(found.worst),
        "budget_ns": found.budget.limit_ns,
        "budget_source": found.budget.source,
        "margin_ns": found.margin_ns,
    }


def hop_record(plan: HopPlan, changed: HopPlan | None = None) -> dict[str, Any]:
    """The object of `delay --hops --json`."""
    found = plan.delays()
    record: dict[str, Any] = {
        "schema": "framefray.delay/1",
        "kind": "hops",
        "plan": plan.name,
        "controller": plan.controller,
        **_delays_record(found),
        "links": [
            {
                "link": e.name,
                "heads": list(e.heads),
                "reset_uncompensated_ns": e.uncompensated_ns,
                "one_clock_ns": e.one_clock_ns,
                "ns_per_m": e.ns_per_m,
            }
            for e in found.effects
        ],
        "verdict": "pass" if found.margin_ns >= 0 else "fail",
    }
    if changed is not None:
        record["replaced"] = _delays_record(changed.delays())
    return record
