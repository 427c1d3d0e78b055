"""A campaign as the JSON object of `campaign --json`, from which the other campaign reports are made too.

All but its member `run` hangs only on the conditions: the same ones give the same octets. `run` tells of the machine
and the time, and is left out on request.
"""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from decoders.counters import COUNTERS

from .. import __version__
from ..campaign.conditions import Conditions
from ..campaign.results import Campaign, CaseResult
from ..faults.verdict import Verdict

__all__ = ["SCHEMA", "campaign_record", "case_record", "outcome", "run_record", "stopped"]

SCHEMA = "framefray.campaign/1"


def case_record(result: CaseResult, conditions: Conditions) -> dict[str, Any]:
    """One case, with nothing of the machine or the time."""
    declared = result.declared
    expectation = None if declared is None else declared.expectation
    only = ("--only", result.case.name) if result.case.faults else ()
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
        "repeat_with": conditions.command("campaign", result.seed, *only),
    }


def campaign_record(
    campaign: Campaign, run: dict[str, Any] | None = None, choice: Sequence[str] = ()
) -> dict[str, Any]:
    """The whole object; without `run` it is the same for the same conditions.

    `choice` are the words of the command line that say which cases are run, and how often.
    """
    conditions = campaign.conditions
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "framefray": __version__,
        "link": conditions.words | {"line_rate_bps": conditions.line.line_rate_bps},
        "verdict": "pass" if campaign.passed and campaign.proves and not campaign.interrupted else "fail",
        "complete": not campaign.interrupted and len(campaign.results) == campaign.planned,
        "summary": {
            "planned": campaign.planned,
            "passed": campaign.count(passed=True),
            "failed": campaign.count(passed=False),
            "left_out": campaign.left_out,
        },
        "repeat_with": conditions.command("campaign", None, *choice),
        "cases": [case_record(result, conditions) for result in campaign.results],
    }
    if run is not None:
        record["run"] = run
    return record


def outcome(record: dict[str, Any]) -> str:
    """The verdict for people: only a campaign that was done, and put a fault in, is a pass."""
    if record["summary"]["failed"]:
        return "fail"
    if not record["complete"]:
        return "incomplete"
    if all(case["left_out"] or not case["faults"] for case in record["cases"]):
        return "nothing proven"
    return str(record["verdict"])


def stopped(record: dict[str, Any]) -> str:
    """How far a campaign came that was not done; empty for one that was."""
    done, planned = len(record["cases"]), record["summary"]["planned"]
    return "" if record["complete"] else f"stopped after {done} of {planned}"


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
