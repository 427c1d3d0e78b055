"""LocateOutcome damages as the JSON object of `locate --json`."""

from __future__ import annotations

from typing import Any

from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.linerates import HYPERFRAMES_PER_FRAME

from ..links.damage import ChainDamage, Localised, Point, PointCoverage, PointPair, Sign

__all__ = ["locate_record"]


def locate_record(result: Localised) -> dict[str, Any]:
    """The object of schema framefray.locate/1."""
    return {
        "schema": "framefray.locate/1",
        "verdict": result.verdict.value,
        "points": [_point(point) for point in result.points],
        "pairs": [_pair(pair) for pair in result.pairs],
        "damages": [_damage(damage) for damage in result.damages],
        "damages_left_out": result.more,
        "notes": list(result.notes),
        "limits": list(result.limits),
    }


def _number(number: int) -> dict[str, int]:
    bfn, hfn = divmod(number % NUMBER_MODULUS, HYPERFRAMES_PER_FRAME)
    return {"bfn": bfn, "hfn": hfn}


def _name(point: Point | None) -> str | None:
    return None if point is None else point.name


def _point(here: PointCoverage) -> dict[str, Any]:
    return {
        "point": here.point.name,
        "source": here.source,
        "option": here.option,
        "form": here.form,
        "hyperframes": here.hyperframes,
        "stretches": [{"first": _number(s.first), "last": _number(s.last)} for s in here.stretches],
        "losses": here.losses,
        "counters": dict(here.counters),
        "number_shift": here.number_shift,
        "number_jumps": here.jumps,
        "sees_line_code": here.sees_line_code,
        "warnings": list(here.warnings),
    }


def _pair(pair: PointPair) -> dict[str, Any]:
    return {
        "before": pair.before.name,
        "after": pair.after.name,
        "hyperframes": pair.hyperframes,
        "iq_shift_basic_frames": pair.iq_shift_basic_frames,
        "apart": pair.apart or None,
        "planes": {
            plane.value: {
                "forwarding": passed.forwarding.value,
                "compared_octets": passed.compared,
                "differing_octets": passed.differing,
                "own_octets": passed.own,
            }
            for plane, passed in pair.planes.items()
        },
    }


def _damage(damage: ChainDamage) -> dict[str, Any]:
    return {
        "plane": damage.plane.value,
        "segment": damage.segments[0].name if damage.distinguished else None,
        "segments": [segment.name for segment in damage.segments],
        "distinguished": damage.distinguished,
        "reason": damage.reason or None,
        "entered": damage.entered,
        "point": damage.point.name,
        "clean_before": _name(damage.clean_before),
        "clean_after": _name(damage.clean_after),
        "first": _number(damage.first),
        "last": _number(damage.last),
        "hyperframes": damage.hyperframes,
        "signs": [_sign(sign) for sign in damage.signs],
        "consequences": [
            {"point": each.point.name, "plane": each.plane.value, "text": each.text}
            for each in damage.consequences
        ],
    }


def _sign(sign: Sign) -> dict[str, Any]:
    return {
        "plane": sign.plane.value,
        "kind": sign.kind,
        "count": sign.count,
        "text": sign.text or None,
        "octets": [
            {
                "bfn": o.bfn, "hfn": o.hfn, "x": o.x, "w": o.w, "y": o.y,
                "address": o.address, "old": o.old, "new": o.new,
            }
            for o in sign.octets
        ],
    }  # fmt: skip
