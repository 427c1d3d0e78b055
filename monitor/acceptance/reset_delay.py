"""Delay through transceiver resets, against its limits and a budget."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from decoders.link_delay.uncertainty import DelayNs

from ..delay.run import DelayRun, judge_delay
from ..delay.samples import DelaySample, DelayStatus, LineReading
from ..text import counted
from .quiet import passed_or_failed
from .results import AcceptanceOutcome, Check
from .stage import Raw, StageContext
from .stage_settings import DelaySettings, StageSettings

__all__ = ["ResetDelay", "delay_status", "one_way"]


def _sample(record: Mapping[str, Any]) -> DelaySample:
    line = record["line"]
    return DelaySample(**{**record, "line": None if line is None else LineReading(**line)})


def delay_status(raw: Raw) -> DelayStatus:
    """Everything that follows from the samples of a stage."""
    samples = [_sample(record) for record in raw["samples"]]
    return judge_delay(samples, raw["description"], raw["option"], tuple(raw["names"]), raw["resets"])


def one_way(status: DelayStatus) -> DelayNs | None:
    """Half of the compensated round trip, with its standard uncertainty; None before two resets."""
    return None if status.mean is None else status.mean.scaled(0.5)


class ResetDelay:
    """A reset, a measurement, again and again."""

    claims = "The compensated delay was the same after each reset, within its limits, and within the budget."

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, DelaySettings)
        return 24.0 * settings.resets

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, DelaySettings)
        with context.rig.delay_board(settings.resets) as board:
            run = DelayRun(board, settings.resets)
            while not run.done:
                run.step()
                context.progress(len(run.samples) / settings.resets)
            return {
                "description": board.description,
                "link": context.rig.description,
                "option": board.option,
                "names": list(board.names),
                "resets": settings.resets,
                "samples": [dataclasses.asdict(sample) for sample in run.samples],
            }

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, DelaySettings)
        status = delay_status({**raw, "resets": settings.resets})
        checks = [self._constant(status, settings)]
        if settings.most_ns:
            checks.append(self._budget(status, settings))
        for name, covered in zip(status.names, status.coverage, strict=False):
            if covered.never_seen:
                text = (
                    f"{counted(len(covered.never_seen), 'alignment offset')} of {len(covered.counts)} never came in"
                    f" {counted(status.resets, 'reset')}"
                )
                checks.append(
                    Check(f"offsets of {name}", AcceptanceOutcome.NOT_TESTED, text, essential=False)
                )
        if raw.get("link", raw["description"]) != raw["description"]:
            text = f"measured at {raw['description']} alone"
            checks.append(Check("rest of the site", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        if not any(sample.line for sample in status.samples):
            text = "the delay is the board's own count; no second measurement from the line"
            checks.append(Check("second measurement", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        return checks

    def _constant(self, status: DelayStatus, settings: DelaySettings) -> Check:
        name = "delay through resets"
        limit = settings.deviation_ns or min(status.clock_period_ns, 260.4166667 / 32)
        words = status.words[0] if status.words else "nothing measured"
        if status.verdict in ("none", "pending"):
            return Check(name, AcceptanceOutcome.NOT_TESTED, words)
        good = status.verdict == "pass" and status.largest_deviation_ns <= limit + 1e-6
        text = f"{words}; largest change {status.largest_deviation_ns:.3f} ns in {counted(status.resets, 'reset')}"
        return Check(name, passed_or_failed(good), text, status.largest_deviation_ns, limit, "ns")

    def _budget(self, status: DelayStatus, settings: DelaySettings) -> Check:
        name = "one-way delay budget"
        way = one_way(status)
        if way is None:
            return Check(name, AcceptanceOutcome.NOT_TESTED, "fewer than two measurements")
        expanded = way.expanded()
        low, high = way.value_ns - expanded.half_width_ns, way.value_ns + expanded.half_width_ns
        inside = settings.least_ns <= low and high <= settings.most_ns
        outside = high < settings.least_ns or low > settings.most_ns
        text = f"{expanded}; budget {settings.least_ns:g} to {settings.most_ns:g} ns"
        if not inside and not outside:
            text += "; the uncertainty reaches over the limit"
        return Check(
            name,
            passed_or_failed(inside),
            text,
            way.value_ns,
            settings.most_ns,
            "ns",
            expanded.half_width_ns,
            expanded.level,
        )
