"""Results as plain text for a terminal or a log: no colour, no markup, only printable characters."""

from __future__ import annotations

from collections.abc import Mapping

from decoders.counters import COUNTERS_OF_PLANE
from decoders.events import Plane
from decoders.linerates import HYPERFRAMES_PER_SECOND
from decoders.link.decoder import LinkDecoder
from decoders.link.startup import StartupState

from ..text import breaks_text, counted, inert

__all__ = ["counter_lines", "summary_lines"]

_TITLES = {
    "line": (Plane.LINE,),
    "sync": (Plane.SYNC,),
    "L1": (Plane.L1,),
    "slow C&M": (Plane.HDLC,),
    "fast C&M": (Plane.ETHERNET,),
    "octets": (Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED),
}


def counter_lines(counters: Mapping[str, int]) -> list[str]:
    """Counters by plane, one plane a line; those at 0 are put together at its end."""
    lines = []
    for title, planes in _TITLES.items():
        names = [name for plane in planes for name in COUNTERS_OF_PLANE[plane]]
        moved = [f"{name} {counters[name]}" for name in names if counters[name]]
        still = [name for name in names if not counters[name]]
        text = ", ".join(moved) if moved else "nothing"
        rest = f"  (0: {', '.join(still)})" if still else ""
        lines.append(f"  {title:9} {text}{rest}")
    return lines


def summary_lines(decoder: LinkDecoder, description: str) -> list[str]:
    """What a stream held, in words."""
    option, planes = decoder.option, decoder.planes
    rate = option.line_rate_bps / 1e6
    lines = [
        inert(description),
        f"  link      option {option.name}, {rate:g} Mbit/s, line code {option.line_code},"
        f" read as {decoder.settings.form.value}",
    ]
    if decoder.acquired_at_hyperframe is None:
        lines.append("  in sync   never")
    else:
        seconds = decoder.hyperframes / HYPERFRAMES_PER_SECOND
        last = planes.last
        first = last.first or (0, 0)
        slip = decoder.alignment_slip_bits
        missed = f"{decoder.hyperframes_missed} missed"
        if decoder.hyperframes_not_received:
            missed += f" ({decoder.hyperframes_not_received} of them not received here)"
        if decoder.breaks_of_unknown_length:
            missed += f", {breaks_text(decoder.breaks_of_unknown_length)}"
        lines += [
            f"  in sync   {decoder.state.value}, {counted(decoder.hyperframes, 'hyperframe')}"
            f" ({seconds * 1e3:.2f} ms of line),"
            f" {decoder.acquired_at_hyperframe} skipped before, {missed},"
            f" {counted(decoder.losses, 'loss of sync', 'losses of sync')}",
            f"  position  BFN {first[0]} HFN {first[1]} to BFN {last.bfn} HFN {last.hfn}"
            + ("" if slip is None else f", word alignment offset {counted(slip, 'bit')}"),
            f"  L1        version {planes.version.accepted}, HDLC rate code {planes.rate.accepted},"
            f" pointer p {planes.pointer.accepted}; start-up state {planes.startup_state.value}"
            f" ({StartupState(planes.startup_state).meaning})",
        ]
    lines += counter_lines(decoder.counters)
    if decoder.trailing_octets:
        lines.append(
            f"  left over {counted(decoder.trailing_octets, 'octet')} at the end, no whole hyperframe"
        )
    return lines
