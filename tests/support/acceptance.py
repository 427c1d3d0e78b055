"""Acceptance plans for tests: short ones, and one stage of them at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from monitor.acceptance.evidence import derived_result, stored_stage
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.plan import AcceptancePlan, parse_acceptance_plan
from monitor.acceptance.results import NotObservable, StageResult
from monitor.acceptance.stage import StageContext
from monitor.acceptance.stages import STAGES

__all__ = ["SHORT", "lines_of", "result_of", "short_plan", "stage_of", "usual_stage"]

SHORT: Mapping[str, str] = {
    "link_up": "resets = 2",
    "quiet": "hyperframes = 300",
    "loopback": "hyperframes = 150",
    "ber": "bound = 1e-6",
    "cm_integrity": "frames = 60",
    "iq_integrity": "hyperframes = 50",
    "vendor": "places = 2",
    "campaign": 'only = ["vendor.flip"]',
    "delay": "resets = 12",
    "rates": "hyperframes = 150",
    "soak": "seconds = 0.02",
}
"""A short setting of each kind of stage."""


def short_plan(
    *kinds: str,
    source: str = "emulated",
    emulated: str = "",
    settings: Mapping[str, str] | None = None,
    more: str = "",
) -> AcceptancePlan:
    """A plan of these kinds (all where none is named), each with its short setting or the one in `settings`."""
    chosen = kinds or tuple(SHORT)
    lines = ['name = "test"', f'source = "{source}"', more]
    if emulated:
        lines += ["[emulated]", emulated]
    given = {**SHORT, **(settings or {})}
    for kind in chosen:
        lines += ["[[stage]]", f'kind = "{kind}"', given[kind]]
    return parse_acceptance_plan("\n".join(lines) + "\n")


def result_of(plan: AcceptancePlan, raw: Any, number: int = 1, reason: str = "") -> StageResult:
    """What a stage's raw results come to, by way of JSON."""
    stage = plan.stages[number - 1]
    return derived_result(stage, json.loads(json.dumps(stored_stage(stage, raw=raw, reason=reason))))


def stage_of(plan: AcceptancePlan, number: int = 1, folder: Path | None = None) -> StageResult:
    """One stage measured and judged; captures into `folder`."""
    stage = plan.stages[number - 1]
    context = StageContext(open_rig(plan), plan, stage, folder)
    try:
        raw = STAGES[stage.kind].measure(context)
        context.finish()
    except NotObservable as why:
        return result_of(plan, None, number, str(why))
    captures = [kept.record for kept in context.kept]
    return derived_result(stage, json.loads(json.dumps(stored_stage(stage, raw=raw, captures=captures))))


@cache
def usual_stage(kind: str) -> StageResult:
    """A stage on the right emulated link with its short setting; measured once."""
    return stage_of(short_plan(kind))


def lines_of(result: StageResult) -> str:
    """Every check in a line, for messages of a test."""
    return (
        "\n".join(f"{check.outcome.value}: {check.name}: {check.text}" for check in result.checks)
        or result.reason
    )
