"""What a run of a plan would do: each stage, how long it takes, and what makes a board transmit or reset."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named

from .error_ratio import needed_bits, needed_hyperframes
from .plan import AcceptancePlan, PlannedStage
from .rig import Rig
from .stage import StageContext
from .stage_settings import BerSettings, StageSettings
from .stages import STAGES

__all__ = ["planned_record", "touched"]


def touched(plan: AcceptancePlan, rig: Rig, chosen: Sequence[int] = ()) -> list[str]:
    """What the run makes a board do, a line each; empty where no board is touched."""
    kinds = [stage.kind for stage in plan.stages if not chosen or stage.number in chosen]
    return [f"{kind}: {text}" for kind, text in rig.touches.items() if kind in kinds]


def planned_record(plan: AcceptancePlan, rig: Rig, chosen: Sequence[int] = ()) -> dict[str, Any]:
    """The object of `accept --dry-run --json`; times in seconds, at the rate that line data come here."""
    rate = rig.hyperframes_per_second()
    stages = []
    for stage in plan.stages:
        if chosen and stage.number not in chosen:
            continue
        hyperframes = STAGES[stage.kind].hyperframes(stage.settings, StageContext(rig, plan, stage))
        settings = {
            f.name: _said(getattr(stage.settings, f.name)) for f in dataclasses.fields(stage.settings)
        }
        stages.append(
            {
                "number": stage.number,
                "kind": stage.kind,
                "title": stage.title,
                "required": stage.required,
                "claims": STAGES[stage.kind].claims,
                "settings": settings,
                "extent": _extent(stage, rig),
                "seconds": hyperframes / rate,
                "touches": rig.touches.get(stage.kind, ""),
            }
        )
    return {
        "schema": "framefray.accept-dry-run/1",
        "name": plan.name,
        "link": rig.description,
        "rate": rate,
        "stages": stages,
        "left_out": list(plan.left_out),
        "seconds": sum(stage["seconds"] for stage in stages),
    }


def _said(value: Any) -> Any:
    return ", ".join(value) if isinstance(value, tuple) else value


def _extent(stage: PlannedStage, rig: Rig) -> str:
    """What is known beforehand of how much is needed."""
    settings: StageSettings = stage.settings
    if not isinstance(settings, BerSettings):
        return ""
    option = option_named(rig.option)
    line_s = needed_hyperframes(settings, option, settings.method) / HYPERFRAMES_PER_SECOND
    return (
        f"{needed_bits(settings):.4g} bits for {settings.bound:g} at {settings.confidence:g} confidence with"
        f" {settings.errors} errors, {line_s:.3g} s of line time"
    )
