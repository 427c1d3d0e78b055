"""A comparison as the JSON object of `compare --json`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from decoders.error_performance.comparison import Difference, PlaneDifferences
from decoders.error_performance.pairing import LoneRun, NumberRange
from decoders.linerates import HYPERFRAMES_PER_FRAME

from ..links.capture_comparison import CompareResult, Side

__all__ = ["address", "compare_record"]


def address(difference: Difference) -> str:
    """#Z.X.W.Y, with the HFN for Z."""
    return f"#{difference.hfn}.{difference.x}.{difference.w}.{difference.y}"


def compare_record(result: CompareResult, *, passed: bool, max_ber: float) -> dict[str, Any]:
    """The object of schema framefray.compare/1."""
    comparison, ratio, latency = result.comparison, result.ratio, result.latency
    option = comparison.option
    return {
        "schema": "framefray.compare/1",
        "verdict": "pass" if passed else "fail",
        "link": {
            "option": option.name,
            "line_rate_bps": option.line_rate_bps,
            "line_code": option.line_code,
            "bytes_per_hyperframe": option.hyperframe_octets,
        },
        "sent": _side(result.sent),
        "received": _side(result.received),
        "compared": {
            "hyperframes": comparison.hyperframes,
            "octets": comparison.compared_bits // 8,
            "bits": comparison.compared_bits,
            "first": _timing(comparison.first_number or 0),
            "last": _timing(comparison.last_number or 0),
            "stretches": _stretches(comparison.stretches),
        },
        "differences": {
            "hyperframes": comparison.differing_hyperframes,
            "octets": comparison.differing_octets,
            "bits": comparison.differing_bits,
        },
        "bit_error_ratio": {
            "ratio": ratio.errors / ratio.bits,
            "upper": ratio.upper,
            "confidence": ratio.confidence,
            "max": max_ber,
        },
        "planes": {plane.value: _plane(found) for plane, found in comparison.planes.items()},
        "alone": [_run(run) for run in result.pairing.runs],
        "latency_ns": None
        if latency is None
        else {"least": latency.least_ns, "mean": latency.mean_ns, "most": latency.most_ns},
        "latency_missing": result.latency_missing or None,
    }


def _timing(number: int) -> dict[str, int]:
    bfn, hfn = divmod(number, HYPERFRAMES_PER_FRAME)
    return {"bfn": bfn, "hfn": hfn}


def _side(side: Side) -> dict[str, Any]:
    return {
        "source": side.source,
        "form": side.form,
        "hyperframes": side.hyperframes,
        "first": _timing(side.first),
        "last": _timing(side.last),
        "alone": side.alone,
        "alone_inside": side.alone_inside,
        "losses": side.losses,
        "code_violations": side.code_violations,
        "disparity_errors": side.disparity_errors,
        "numbers_corrected": side.numbers_corrected,
        "breaks_of_unknown_length": side.breaks_of_unknown_length,
        "stretches": _stretches(side.stretches),
    }


def _stretches(stretches: Sequence[NumberRange]) -> list[dict[str, Any]]:
    return [{"first": _timing(stretch.first), "last": _timing(stretch.last)} for stretch in stretches]


def _run(run: LoneRun) -> dict[str, Any]:
    side = ("sent", "received")[run.side]
    return {"side": side, **_timing(run.number), "hyperframes": run.hyperframes, "inside": run.inside}


def _plane(found: PlaneDifferences) -> dict[str, Any]:
    return {
        "compared_octets": found.compared_octets,
        "octets": found.octets,
        "bits": found.bits,
        "hyperframes": found.hyperframes,
        "first": [
            {
                "bfn": d.bfn,
                "hfn": d.hfn,
                "x": d.x,
                "w": d.w,
                "y": d.y,
                "address": address(d),
                "sent": d.sent,
                "received": d.received,
            }
            for d in found.first
        ],
    }
