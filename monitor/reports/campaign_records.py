"""A campaign as the JSON object of `prove --json`, from which the other campaign reports are made too.

All but its member `run` hangs only on the conditions: the same ones give the same octets. `run` tells of the machine
and the time, and is left out on request.
"""

from __future__ import annotations

import platform
import shlex
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from decoders.events import COUNTERS

from .. import __version__
from ..faults.campaign import BASELINE, Campaign, CaseResult
from ..faults.transmission import LinkConditions
from ..faults.verdict import Verdict

__all__ = ["SCHEMA", "campaign_record", "case_record", "command_line", "run_record"]

SCHEMA = "framefray.prove/1"


def command_line(conditions: LinkConditions, case: str | None = None) -> str:
    """The command that repeats a campaign, or one case of it at its seed."""
    words = ["framefray", "prove", conditions.source, "--option", conditions.option]
    if conditions.crafted:
        words += ["--via", "craft", "--form", conditions.form.value]
    words += ["--pointer", str(conditions.pointer_p), "--hdlc-rate", str(conditions.rate_code)]
    words += ["--seed", str(conditions.seed)]
    if conditions.hyperframes is not None:
        words += ["--hyperframes", str(conditions.hyperframes)]
    if case is not None and case != BASELINE:
        words += ["--only", case]
    return shlex.join(words)


def case_record(result: CaseResult, conditions: LinkConditions) -> dict[str, Any]:
    """One case, with nothing of the machine or the time."""
    declared = result.declared
    expectation = None if declared is None else declared.expectation
    return {
        "case": result.case.name,
        "plane": result.case.plane,
        "faults": [place.text for place in result.placed] or list(result.case.faults),
        "seed": result.seed,
        "verdict": result.verdict.value,
        "passed": result.passed,
        "left_out": result.verdict is Verdict.LEFT_OUT,
        "expected": {} if declared is None else declared.required,
        "tolerated": [] if expectation is None else [c for c in COUNTERS if c in expectation.tolerated],
        "within_hyperframes": None if expectation is None or not declared else expectation.within_hyperframes,
        "moved": dict(result.moved),
        "detected_after_hyperframes": result.detected_after,
        "recovered_after_hyperframes": result.recovered_after,
        "findings": [
            {"verdict": f.verdict.value, "counter": f.counter, "text": f.text} for f in result.findings
        ],
        "damage": [
            {"fault": e.fault, "what": e.what, "first_octet": e.first, "at": e.at, "octets": list(e.octets)}
            for e in result.excerpts
        ],
        "repeat_with": command_line(conditions, result.case.name),
    }


def campaign_record(campaign: Campaign, run: dict[str, Any] | None = None) -> dict[str, Any]:
    """The whole object; without `run` it is the same for the same conditions."""
    conditions = campaign.conditions
    cases = []
    for result in campaign.results:
        at = LinkConditions(
            conditions.source,
            conditions.crafted,
            conditions.form,
            conditions.option,
            conditions.pointer_p,
            conditions.hdlc_rate_code,
            result.seed,
            conditions.hyperframes,
        )
        cases.append(case_record(result, at))
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "framefray": __version__,
        "link": conditions.words | {"line_rate_bps": conditions.line.line_rate_bps},
        "verdict": "pass" if campaign.passed and not campaign.interrupted else "fail",
        "complete": not campaign.interrupted and len(campaign.results) == campaign.planned,
        "summary": {
            "planned": campaign.planned,
            "passed": campaign.count(passed=True),
            "failed": campaign.count(passed=False),
            "left_out": campaign.left_out,
        },
        "repeat_with": command_line(conditions),
        "cases": cases,
    }
    if run is not None:
        record["run"] = run
    return record


def run_record(started: str, seconds: float) -> dict[str, Any]:
    """Where and when: `started` as ISO 8601, and the versions of what ran."""
    try:
        numpy = version("numpy")
    except PackageNotFoundError:
        numpy = "unknown"
    return {
        "started": started,
        "seconds": round(seconds, 3),
        "python": platform.python_version(),
        "numpy": numpy,
        "machine": f"{platform.system()} {platform.machine()}",
    }
