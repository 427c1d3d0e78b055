"""What stands in an evidence folder about stages, and the report that follows from it alone.

The report is a function of the plan, the stages' raw results, the journal and the versions, so it can be derived
again at any time and compared with the one that was signed.
"""

from __future__ import annotations

import dataclasses
import math
import platform
import re
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from .. import __version__
from ..errors import InputError
from ..reports.acceptance_html import acceptance_page
from ..reports.acceptance_junit import acceptance_junit
from .folder import JOURNAL, PLAN, STAGES, EvidenceFolder
from .plan import AcceptancePlan, PlannedStage, parse_acceptance_plan
from .results import AcceptanceOutcome, AcceptanceResult, Check, StageResult, overall_outcome, stage_outcome
from .stages import STAGES as KINDS

__all__ = ["Evidence", "acceptance_record", "derived_result", "stage_file", "stored_stage", "versions_record"]

REPORT, PAGE, JUNIT, VERSIONS = "report.json", "report.html", "junit.xml", "versions.json"
_STAGE_SCHEMA = "framefray.acceptance-stage/1"
SCHEMA = "framefray.acceptance/1"
STRICT = frozenset(("quiet", "loopback", "cm_integrity", "rates"))
"""Kinds of stage that no error on the line may leave passed."""


def stage_file(stage: PlannedStage) -> str:
    """The name of a stage's results in the folder."""
    return f"{STAGES}/{stage.number:02d}-{stage.kind}.json"


def stored_stage(
    stage: PlannedStage,
    *,
    raw: Mapping[str, Any] | None,
    reason: str = "",
    captures: Sequence[Mapping[str, Any]] = (),
    seconds: float = 0.0,
    attempts: int = 1,
) -> dict[str, Any]:
    """A stage's results as they are stored; `raw` None where it was not tested, for a `reason`."""
    return {
        "schema": _STAGE_SCHEMA,
        "number": stage.number,
        "kind": stage.kind,
        "reason": reason,
        "raw": raw,
        "captures": list(captures),
        "seconds": round(seconds, 3),
        "attempts": attempts,
    }


def derived_result(stage: PlannedStage, stored: Mapping[str, Any]) -> StageResult:
    """What follows from a stage's stored results. InputError where they are not those of this stage."""
    try:
        if (stored["schema"], stored["number"], stored["kind"]) != (_STAGE_SCHEMA, stage.number, stage.kind):
            raise InputError(f"{stage_file(stage)}: holds the results of another stage")
        raw, reason, captures = stored["raw"], str(stored["reason"]), stored["captures"]
        if not all(isinstance(capture["file"], str) for capture in captures):
            raise TypeError("a capture without a name")
        checks: list[Check] = [] if raw is None else KINDS[stage.kind].judge(stage.settings, raw)
        if raw is not None and stage.kind in STRICT:
            checks += captures_against(checks, captures)
        outcome = stage_outcome(checks)
        if raw is not None and outcome is AcceptanceOutcome.NOT_TESTED:
            reason = "; ".join(c.text for c in checks if c.essential and not c.passed)
        return StageResult(
            number=stage.number,
            kind=stage.kind,
            title=stage.title,
            required=stage.required,
            outcome=outcome,
            checks=tuple(checks),
            reason=reason,
            raw={} if raw is None else raw,
            captures=tuple(capture["file"] for capture in captures),
            seconds=float(stored["seconds"]),
            attempts=int(stored["attempts"]),
            repeat_with=f"framefray accept {PLAN} --stage {stage.number} --out again",
        )
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, ArithmeticError) as error:
        raise InputError(f"{stage_file(stage)}: is damaged ({type(error).__name__}: {error})") from None


def captures_against(checks: Sequence[Check], captures: Sequence[Mapping[str, Any]]) -> list[Check]:
    """A check that fails where captures hold errors and nothing else of the stage says so."""
    if stage_outcome(checks) is not AcceptanceOutcome.PASS:
        return []
    for capture in captures:
        if capture["failure"] or not capture["clean"]:
            moved = ", ".join(f"{name} {by:+d}" for name, by in capture["counters"].items()) or "no sync"
            return [Check("captures", AcceptanceOutcome.FAIL, f"{capture['file']} shows errors: {moved}")]
    return []


@dataclasses.dataclass(frozen=True, slots=True)
class Evidence:
    """An evidence folder as read: the plan, and what is stored of each stage that is done, by its number."""

    folder: EvidenceFolder
    plan: AcceptancePlan
    stored: Mapping[int, Mapping[str, Any]]
    journal: Sequence[Mapping[str, Any]]
    versions: Mapping[str, Any]

    @classmethod
    def read(cls, folder: EvidenceFolder) -> Evidence:
        """InputError where there is no plan in it, or something cannot be read."""
        octets = folder.read(PLAN)
        if octets is None:
            raise InputError(f"{folder.path}: INCOMPLETE: no stage was begun, and there is no {PLAN}")
        try:
            plan = parse_acceptance_plan(octets.decode())
        except (UnicodeDecodeError, InputError) as error:
            raise InputError(f"{folder.path / PLAN}: {error}") from None
        stored = {}
        for stage in plan.stages:
            record = folder.read_json(stage_file(stage))
            if record is not None:
                stored[stage.number] = record
        versions = folder.read_json(VERSIONS)
        versions = versions if isinstance(versions, dict) else {}
        return cls(folder, plan, stored, folder.journal(), versions)

    @property
    def chosen(self) -> tuple[PlannedStage, ...]:
        """The stages of this run: all, or those that were chosen at its beginning."""
        wanted = next((entry.get("stages") for entry in self.journal if entry.get("event") == "begin"), None)
        wanted = wanted if isinstance(wanted, list) else None
        return tuple(stage for stage in self.plan.stages if not wanted or stage.number in wanted)

    def result(self) -> AcceptanceResult:
        """The verdicts that follow from what is stored."""
        chosen = self.chosen
        done = tuple(derived_result(s, self.stored[s.number]) for s in chosen if s.number in self.stored)
        interrupted = len(done) < len(chosen)
        outcome, reason = overall_outcome(len(chosen), done, interrupted=interrupted)
        if len(chosen) < len(self.plan.stages) and outcome is AcceptanceOutcome.PASS:
            outcome, reason = (
                AcceptanceOutcome.INCOMPLETE,
                "only some stages of the plan were chosen; those passed",
            )
        return AcceptanceResult(self.plan.name, len(chosen), done, outcome, reason)

    def reports(self) -> dict[str, bytes]:
        """report.json, report.html and junit.xml as they follow from what is stored."""
        from ..text import json_text

        record = acceptance_record(self)
        return {
            REPORT: f"{json_text(record, indent=1)}\n".encode(),
            PAGE: acceptance_page(record).encode(),
            JUNIT: acceptance_junit(record),
        }

    def write_reports(self) -> None:
        for name, octets in self.reports().items():
            self.folder.write(name, octets)


def _check_record(check: Check) -> dict[str, Any]:
    record = dataclasses.asdict(check)
    for name in ("value", "limit", "uncertainty", "level"):
        value = record[name]
        record[name] = None if value is None or not math.isfinite(value) else value
    return record | {"outcome": check.outcome.value}


def _stage_record(stage: PlannedStage, result: StageResult, stored: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "number": stage.number,
        "kind": stage.kind,
        "title": stage.title,
        "required": stage.required,
        "outcome": result.outcome.value,
        "reason": result.reason,
        "claims": KINDS[stage.kind].claims,
        "settings": {f.name: getattr(stage.settings, f.name) for f in dataclasses.fields(stage.settings)},
        "checks": [_check_record(check) for check in result.checks],
        "raw": stored["raw"],
        "captures": stored["captures"],
        "seconds": result.seconds,
        "attempts": result.attempts,
        "repeat_with": result.repeat_with,
    }


def acceptance_record(evidence: Evidence) -> dict[str, Any]:
    """The object of report.json."""
    plan, result = evidence.plan, evidence.result()
    planned = {stage.number: stage for stage in evidence.chosen}
    stages = [_stage_record(planned[s.number], s, evidence.stored[s.number]) for s in result.stages]
    done = {stage.number for stage in result.stages}
    begin = next((entry for entry in evidence.journal if entry.get("event") == "begin"), {})
    times = [str(entry["time"]) for entry in evidence.journal if "time" in entry]
    return {
        "schema": SCHEMA,
        "framefray": evidence.versions.get("framefray", ""),
        "name": plan.name,
        "verdict": result.outcome.value,
        "reason": result.reason,
        "complete": result.outcome is not AcceptanceOutcome.INCOMPLETE or len(done) == len(planned),
        "started": times[0] if times else "",
        "ended": times[-1] if times else "",
        "resumed": sum(entry.get("event") == "resume" for entry in evidence.journal),
        "equipment": dict(plan.equipment),
        "link": dict(begin.get("link", {})),
        "versions": dict(evidence.versions),
        "left_out": list(plan.left_out),
        "not_chosen": [s.title for s in plan.stages if s.number not in planned],
        "not_done": [s.title for s in planned.values() if s.number not in done],
        "stages": stages,
    }


def versions_record() -> dict[str, Any]:
    """What ran, and on what."""
    try:
        numpy = version("numpy")
    except PackageNotFoundError:
        numpy = "unknown"
    return {
        "framefray": __version__,
        "python": platform.python_version(),
        "numpy": numpy,
        "machine": re.sub(r"\s+", " ", f"{platform.system()} {platform.release()} {platform.machine()}"),
    }


FILES = (PLAN, JOURNAL, VERSIONS, REPORT, PAGE, JUNIT)
