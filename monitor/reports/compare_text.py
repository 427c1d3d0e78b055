"""A comparison as plain text: the verdict first, then what it rests on."""

from __future__ import annotations

from ..links.capture_comparison import CompareResult, Side, position, stretches_text
from ..text import breaks_text, counted, inert
from .compare_records import address

__all__ = ["compare_lines"]

_RUNS_SHOWN = 10


def compare_lines(result: CompareResult, *, passed: bool, max_ber: float) -> list[str]:
    """What a comparison found, in words."""
    comparison, ratio = result.comparison, result.ratio
    bits, compared = comparison.differing_bits, comparison.compared_bits
    found = f"{bits} of {compared} bits differ" if bits else "no bit differs"
    lines = [
        f"{'PASS' if passed else 'FAIL'}: {found}"
        + (f" (allowed: bit error ratio {max_ber:g})" if max_ber else ""),
        f"  sent      {_side(result.sent)}",
        f"  received  {_side(result.received)}",
        f"  compared  {counted(comparison.hyperframes, 'hyperframe')}, {stretches_text(comparison.stretches)}"
        f" (BFN.HFN), of option {comparison.option.name};"
        f" {comparison.differing_hyperframes} differ",
        f"  bit error ratio {ratio.errors / ratio.bits:.3g}, below {ratio.upper:.3g} with {ratio.confidence:.4g}"
        " confidence (bits of the decoded octets)",
        "",
        "  plane      compared octets  differing octets      bits  hyperframes",
    ]
    for plane, here in comparison.planes.items():
        lines.append(
            f"  {plane.value:9} {here.compared_octets:16} {here.octets:17} {here.bits:9} {here.hyperframes:12}"
        )
    for plane, here in comparison.planes.items():
        if not here.first:
            continue
        shown = f"first {len(here.first)} of {here.octets}" if len(here.first) < here.octets else "all"
        lines += ["", f"  {plane.value}: {shown}", "    BFN.HFN   #Z.X.W.Y         sent received  bits"]
        for d in here.first:
            place = f"{d.bfn}.{d.hfn}"
            lines.append(
                f"    {place:9} {address(d):16} 0x{d.sent:02X}     0x{d.received:02X} {d.sent ^ d.received:08b}"
            )
    lines += _alone(result)
    if result.latency is not None:
        way = result.latency
        lines += [
            "",
            f"  sent to received: {way.mean_ns:.0f} ns on average, {way.least_ns:.0f} to {way.most_ns:.0f} ns,"
            " by the clocks of the captures",
        ]
    else:
        lines += ["", f"  no latency: {inert(result.latency_missing)}"]
    return lines


def _side(side: Side) -> str:
    text = f"{inert(side.source)}: {counted(side.hyperframes, 'hyperframe')},"
    text += f" {stretches_text(side.stretches)}, as {side.form}"
    if side.breaks_of_unknown_length:
        text += f", {breaks_text(side.breaks_of_unknown_length)}"
    for count, what in (
        (side.losses, ("loss of sync", "losses of sync")),
        (side.code_violations, ("code violation",)),
        (side.disparity_errors, ("disparity error",)),
        (
            side.numbers_corrected,
            ("hyperframe number taken from the count", "hyperframe numbers taken from the count"),
        ),
    ):
        if count:
            text += f", {counted(count, *what)}"
    return text


def _alone(result: CompareResult) -> list[str]:
    lines = []
    for name, side in (("sent", result.sent), ("received", result.received)):
        if side.alone:
            lines.append(
                f"  only {name}: {counted(side.alone, 'hyperframe')}, {side.alone_inside} of them between common ones"
            )
    runs = result.pairing.runs
    for run in runs[:_RUNS_SHOWN]:
        where = "between common ones" if run.inside else "at an end"
        lines.append(
            f"    {('sent', 'received')[run.side]}: {run.hyperframes} from {position(run.number)}, {where}"
        )
    if len(runs) > _RUNS_SHOWN:
        lines.append(f"    and {counted(len(runs) - _RUNS_SHOWN, 'more stretch', 'more stretches')}")
    return ["", *lines] if lines else []
