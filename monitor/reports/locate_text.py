"""LocateOutcome damages as plain text: the verdict first, then each damage with its evidence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from decoders.error_performance.pairing import NumberRange
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.linerates import HYPERFRAMES_PER_FRAME

from ..links.damage import ChainDamage, Localised, LocateVerdict, PointCoverage, PointPair, Sign
from ..text import counted, inert

__all__ = ["damage_line", "locate_lines"]

_DAMAGES_SHOWN = 50
_OCTETS_SHOWN = 3
_STRETCHES_SHOWN = 3


def damage_line(damage: ChainDamage) -> str:
    """A damage in one line: where, when, what."""
    when = _position(damage.first)
    if damage.last != damage.first:
        when += f" to {_position(damage.last)}"
    return f"{_where(damage)}: {when}: {', '.join(_sign(sign) for sign in damage.signs)}"


def locate_lines(result: Localised) -> list[str]:
    """What was located, in words."""
    lines = [_verdict(result), ""]
    for damage in result.damages[:_DAMAGES_SHOWN]:
        lines += [*_damage(damage), ""]
    rest = len(result.damages) + result.more - _DAMAGES_SHOWN
    if rest > 0:
        lines += [f"  and {counted(rest, 'more damage')} (--json has those that were kept)", ""]
    lines.append("  points")
    lines += [f"    {_point(point)}" for point in result.points]
    if result.pairs:
        lines += ["", "  compared"]
        lines += [f"    {_pair(pair)}" for pair in result.pairs]
    for title, told in (("nodes", result.notes), ("not visible", result.limits)):
        if told:
            lines += ["", f"  {title}", *(f"    {inert(text)}" for text in told)]
    return lines


def _verdict(result: Localised) -> str:
    count = len(result.damages) + result.more
    match result.verdict:
        case LocateVerdict.DAMAGE:
            segments = sorted({d.segments[0].name for d in result.damages if d.distinguished})
            unsure = sum(not d.distinguished for d in result.damages)
            text = f"damage: {counted(count, 'damage')}"
            if segments:
                text += f", entered on {', '.join(inert(name) for name in segments)}"
            return text + (f"; {unsure} not distinguishable" if unsure else "")
        case LocateVerdict.CLEAN:
            return "clean: no damage at any point"
        case _:
            return "incomplete: no damage was found, but the points could not be compared"


def _position(number: int) -> str:
    bfn, hfn = divmod(number % NUMBER_MODULUS, HYPERFRAMES_PER_FRAME)
    return f"{bfn}.{hfn}"


def _where(damage: ChainDamage) -> str:
    names = " or ".join(inert(segment.name) for segment in damage.segments)
    return names if damage.distinguished else f"not distinguishable, {names}"


def _sign(sign: Sign) -> str:
    return f"{sign.plane.value} {sign.kind} {sign.count}"


def _damage(damage: ChainDamage) -> Iterator[str]:
    yield f"  {damage_line(damage)}"
    if damage.reason:
        yield f"      reason: {inert(damage.reason)}"
    yield f"      entered {inert(damage.entered)}"
    before = "-" if damage.clean_before is None else inert(damage.clean_before.name)
    after = "-" if damage.clean_after is None else inert(damage.clean_after.name)
    yield f"      last clean point {before}; first point that shows it {inert(damage.point.name)};"
    yield f"      first point behind it that does not {after}"
    for sign in damage.signs:
        if sign.octets:
            shown = [
                f"{o.bfn}.{o.hfn} {o.address} 0x{o.old:02X} to 0x{o.new:02X}"
                for o in sign.octets[:_OCTETS_SHOWN]
            ]
            more = f" and {sign.count - len(shown)} more" if sign.count > len(shown) else ""
            yield f"      {sign.plane.value}: {'; '.join(shown)}{more}"
        elif sign.text:
            yield f"      {sign.plane.value} {sign.kind}: {inert(sign.text)}"
    for each in damage.consequences:
        yield f"      at {inert(each.point.name)} therefore: {each.plane.value}: {inert(each.text)}"


def _point(here: PointCoverage) -> str:
    text = f"{inert(here.point.name)}: {inert(here.source)}, option {here.option}, data format {here.form},"
    text += f" {counted(here.hyperframes, 'hyperframe')}"
    if here.stretches:
        text += f", BFN.HFN {_stretches(here.stretches)}"
    if here.losses:
        text += f", {counted(here.losses, 'loss of sync', 'losses of sync')}"
    return text if here.hyperframes else f"{text}: no hyperframe sync"


def _stretches(stretches: Sequence[NumberRange]) -> str:
    shown = [f"{_position(s.first)} to {_position(s.last)}" for s in stretches[:_STRETCHES_SHOWN]]
    rest = len(stretches) - len(shown)
    return ", then ".join(shown) + (f" and {counted(rest, 'more range')}" if rest else "")


def _pair(pair: PointPair) -> str:
    text = f"{inert(pair.before.name)} with {inert(pair.after.name)}: "
    if pair.apart:
        return text + inert(pair.apart)
    planes = [f"{plane.value} {passed.forwarding.value}" for plane, passed in pair.planes.items()]
    return text + f"{counted(pair.hyperframes, 'hyperframe')}; {', '.join(planes)}"
