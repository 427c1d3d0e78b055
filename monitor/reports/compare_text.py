"""A comparison as plain text: the verdict first, then what it rests on."""

from __future__ import annotations

from ..links.capture_comparison import CompareResult, Side, position, stretches_text
from ..text import counted, gaps_text, inert
from .compare_records import address

__all__ = ["compare_lines"]

_RUNS_SHOWN = 10


def compare_lines(result: CompareResult, *, passed: bool, max_ber: float) -> list[str]:
    """What a comparison found, in words."""
    comparison, ratio = result.comparison, result.ratio
    bits, compared = comparison.differing_bits, comparison.compared_bits
    found = f"{bits} of {compared} bits differ" if bits else "no bit differs"
    lines = [
        f"{'pass' if passed else 'fail'}: {found}"
        + (f" (allowed: bit error ratio {max_ber:g})" if max_ber else ""),
        f"  sent      {_side(result.sent)}",
        f"  received  {_side(result.received)}",
        f"  compared  {counted(comparison.hyperframes, 'hyperframe')} of option {comparison.option.name},"
        f" BFN.HFN {stretches_text(comparison.stretches)}; {comparison.differing_hyperframes} differ",
        f"  bit error ratio {ratio.errors / ratio.bits:.3g} (bits of the decoded octets); upper bound"
        f" {ratio.upper:.3g} at confidence level {ratio.confidence:.4g}",
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
            f"  sent to received: mean {way.mean_ns:.0f} ns, {way.least_ns:.0f} to {way.most_ns:.0f} ns,"
            " by the recording times of the captures",
        ]
    else:
        lines += ["", f"  sent to received: - ({inert(result.latency_missing)})"]
    return lines


def _side(side: Side) -> str:
    text = f"{inert(side.source)}: {counted(side.hyperframes, 'hyperframe')},"
    text += f" {stretches_text(side.stretches)}, data format {side.form}"
    if side.breaks_of_unknown_length:
        text += f", {gaps_text(side.breaks_of_unknown_length)}"
    for count, what in (
        (side.losses, ("loss of sync", "losses of sync")),
        (side.code_violations, ("code violation",)),
        (side.disparity_errors, ("disparity error",)),
        (
            side.numbers_corrected,
            ("damaged hyperframe number corrected", "damaged hyperframe numbers corrected"),
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
                f"  only in {name}: {counted(side.alone, 'hyperframe')},"
                f" {side.alone_inside} of them inside the common range"
            )
    runs = result.pairing.runs
    for run in runs[:_RUNS_SHOWN]:
        where = "inside the common range" if run.inside else "outside the common range"
        lines.append(
            f"    {('sent', 'received')[run.side]}: {run.hyperframes} from {position(run.number)}, {where}"
        )
    if len(runs) > _RUNS_SHOWN:
        lines.append(f"    and {counted(len(runs) - _RUNS_SHOWN, 'more range')}")
    return ["", *lines] if lines else []
