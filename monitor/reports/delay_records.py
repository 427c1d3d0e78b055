"""A delay run as the object of `delay --json`."""

from __future__ import annotations

from typing import Any

from decoders.link_delay.delay import ONE_WAY_LIMIT_NS, ROUND_TRIP_LIMIT_NS

from ..delay.samples import DelaySample, DelayStatus

__all__ = ["delay_record"]


def _sample(number: int, sample: DelaySample) -> dict[str, Any]:
    line = sample.line
    return {
        "reset": number,
        "alignment_offset": sample.alignment_offset,
        "far_alignment_offset": sample.far_alignment_offset,
        "raw_clocks": round(sample.raw_clocks, 6),
        "raw_ns": round(sample.raw_ns, 6),
        "compensated_ns": round(sample.compensated_ns, 6),
        "line_alignment_offset": None if line is None else line.alignment_offset,
        "line_far_alignment_offset": None if line is None else line.far_alignment_offset,
        "marker_bits": None if line is None else line.round_trip_bits,
        "marker_t14_bits": None if line is None else line.t14_bits,
        "resets_before": sample.resets_before,
        "resets_after": sample.resets_after,
        **_through_another_board(sample),
    }


def _through_another_board(sample: DelaySample) -> dict[str, Any]:
    """What a measurement through another board has more."""
    if sample.toffset_clocks is None:
        return {}
    before, after = sample.far_resets or (None, None)
    return {
        "toffset_ns": round(sample.toffset_clocks * sample.clock_period_ns, 6),
        "toffset_known_by": "counted" if sample.toffset_resolution_ui else "given",
        "far_resets_before": before,
        "far_resets_after": after,
    }


def delay_record(status: DelayStatus) -> dict[str, Any]:
    """Delays in nanoseconds but where the name says otherwise; deviations are from the first measurement."""
    mean = None
    if status.mean is not None:
        expanded = status.mean.expanded()
        mean = {
            "value_ns": status.mean.value_ns,
            "standard_uncertainty_ns": status.mean.u_ns,
            "expanded_uncertainty_ns": expanded.half_width_ns,
            "coverage_factor": expanded.coverage_factor,
            "level_of_confidence": expanded.level,
        }
    found = status.diagnosis
    diagnosis = None
    if found is not None:
        diagnosis = {
            "compensation": None if found.near is None else found.near.value,
            "far_compensation": None if found.far is None else found.far.value,
            "step_clocks": found.step_ui * status.unit_interval_ns / status.clock_period_ns,
            "step_after_reset": found.step_at,
            "drift_clocks": found.drift_ui * status.unit_interval_ns / status.clock_period_ns,
            "drift_ns_per_reset": found.drift_ui_per_reset * status.unit_interval_ns,
            "slope_on_offset_ui": found.offset_slope,
            "slope_on_reset_ui": found.reset_slope,
            "residual_ns": found.residual_ui * status.unit_interval_ns,
        }
    return {
        "schema": "framefray.delay/1",
        "kind": "resets",
        "source": status.description,
        "option": status.option,
        "resets": status.resets,
        "planned": status.resets_wanted,
        "complete": status.complete,
        "clock_period_ns": status.clock_period_ns,
        "unit_interval_ns": status.unit_interval_ns,
        "mean": mean,
        "spread_ns": round(status.spread_ns, 6),
        "raw_spread_ns": round(status.raw_spread_ns, 6),
        "largest_deviation_ns": round(status.largest_deviation_ns, 6),
        "limits": {
            "one_clock": {"limit_ns": status.clock_period_ns, "within": status.within_one_clock},
            "tc_32": {"limit_ns": ONE_WAY_LIMIT_NS, "within": status.within_one_way_limit},
            "tc_16": {"limit_ns": ROUND_TRIP_LIMIT_NS, "within": status.within_round_trip_limit},
        },
        "offsets": [
            {
                "receiver": name,
                "counts": list(covered.counts),
                "never_seen": list(covered.never_seen),
                "chance_of_all": covered.chance_of_all,
                "resets_for_99_percent": covered.resets_for_99_percent,
            }
            for name, covered in zip(status.names, status.coverage, strict=False)
        ],
        "diagnosis": diagnosis,
        "findings": [
            {"kind": f.kind, "where": f.where, "text": f.text, "fails": f.fails} for f in status.findings
        ],
        "verdict": status.verdict,
        "words": list(status.words),
        "samples": [_sample(number, sample) for number, sample in enumerate(status.samples, 1)],
    }
