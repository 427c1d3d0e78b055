"""Checks an evidence folder: is it whole, what do its captures decode to, and do its verdicts follow.

Four steps, each on its own: the manifest; the captures decoded anew, against what the stages say of them; the
verdicts derived anew, from the raw results and from the captures; the reports derived anew, octet for octet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import TemplateError

from decoders.errors import DecodersError
from decoders.events import Event, FrameReceived, FrameStatus, Plane

from .. import __version__
from ..errors import InputError
from .captures import CAPTURE_FOLDER, read_kept_capture
from .cm_integrity import SequenceWatch
from .evidence import FILES, REPORT, STRICT, Evidence, derived_result, stage_file
from .folder import INCOMPLETE, JOURNAL, MANIFEST, PLAN, EvidenceFolder, manifest_problems, plan_digest
from .iq_integrity import tones_of_capture
from .known_traffic import number_of_frame
from .plan import PlannedStage
from .results import AcceptanceOutcome, StageResult
from .stage_settings import SoakSettings
from .stages import STAGES

__all__ = ["EvidenceCheck", "check_evidence"]

_SAMPLED = ("quiet", "iq_integrity")
"""Kinds of stage that keep a capture whatever they came to."""


@dataclass(frozen=True, slots=True)
class EvidenceCheck:
    """What a check came to: `problems` a line each, `notes` what could not be compared.

    `verdict` is the derived one.
    """

    folder: str
    complete: bool
    verdict: AcceptanceOutcome
    reason: str
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    files: int
    captures: int
    stages: tuple[StageResult, ...]

    @property
    def passed(self) -> bool:
        """Whether the folder is whole and says what follows from it; nothing of the verdict."""
        return self.complete and not self.problems


def check_evidence(path: Path) -> EvidenceCheck:
    """Everything that is wrong with a folder. InputError only where there is no folder."""
    folder = EvidenceFolder.existing(path)
    problems: list[str] = []
    complete = folder.complete
    if complete:
        problems += manifest_problems(folder)
    else:
        problems.append(f"{INCOMPLETE}: the run was not finished, so there is no {MANIFEST} to hold it to")
    try:
        evidence = Evidence.read(folder)
    except InputError as error:
        problems.append(str(error).removeprefix(f"{folder.path}/"))
        nothing = AcceptanceOutcome.INCOMPLETE, "nothing to derive"
        return EvidenceCheck(str(path), complete, *nothing, tuple(problems), (), len(folder.files()), 0, ())
    stages = []
    captures = 0
    for stage in evidence.chosen:
        stored = evidence.stored.get(stage.number)
        if stored is None:
            continue
        try:
            derived = derived_result(stage, stored)
        except InputError as error:
            problems.append(str(error))
            continue
        stages.append(derived)
        captures += len(derived.captures)
        problems += _check_captures(folder, stage, stored, derived, evidence.plan.seed)
    problems += _strange_files(evidence, stages)
    problems += _check_journal(evidence, stages)
    problems += _check_report(folder, evidence)
    try:
        result = evidence.result()
        verdict, reason = result.outcome, result.reason
    except InputError as error:
        verdict, reason = AcceptanceOutcome.INCOMPLETE, str(error)
    return EvidenceCheck(
        folder=str(path),
        complete=complete,
        verdict=verdict,
        reason=reason,
        problems=tuple(problems),
        notes=(),
        files=len(folder.files()),
        captures=captures,
        stages=tuple(stages),
    )


def _strange_files(evidence: Evidence, stages: Sequence[StageResult]) -> list[str]:
    """Files that no run of the plan leaves, be they in the manifest or not."""
    named = {name for stage in stages for name in stage.captures}
    named |= {*FILES, *(stage_file(stage) for stage in evidence.chosen)}
    folder = evidence.folder
    strange = sorted(set(folder.files()) - named) if folder.complete else []
    return [f"{name}: belongs to no stage" for name in strange]


def _check_journal(evidence: Evidence, stages: Sequence[StageResult]) -> list[str]:
    """What the journal noted while the run went on, against what there is now."""
    problems = []
    octets = evidence.folder.read(PLAN)
    begun = [entry["plan"] for entry in evidence.journal if "plan" in entry]
    if begun and octets is not None and begun[-1] != plan_digest(octets):
        problems.append(f"{PLAN}: is not the plan that the run was begun with, says {JOURNAL}")
    derived = {stage.number: stage for stage in stages}
    noted = {
        str(entry.get("number")): entry.get("outcome")
        for entry in evidence.journal
        if entry.get("event") == "stage done"
    }
    for number, outcome in noted.items():
        mine = next((stage for key, stage in derived.items() if str(key) == number), None)
        if mine is None:
            problems.append(f"{JOURNAL}: stage {number} was done ({outcome}); there are no results of it")
        elif outcome != mine.outcome.value:
            problems.append(
                f"{JOURNAL}: {mine.title} was {outcome!r} when it was done; the results say {mine.outcome.value!r}"
            )
    return problems


def _check_captures(
    folder: EvidenceFolder,
    stage: PlannedStage,
    stored: Mapping[str, Any],
    derived: StageResult,
    seed: int,
) -> list[str]:
    """Captures of a stage decoded anew."""
    problems = []
    if stage.kind in _SAMPLED and stored["raw"] is not None and not stored["captures"]:
        problems.append(f"{stage.title}: its capture is missing; such a stage always keeps one")
    for capture in stored["captures"]:
        name = capture["file"]
        if not _is_inside(name):
            problems.append(f"{stage.title}: {name} is no capture of the folder")
            continue
        path = folder.path / name
        seen = _Seen(seed)
        try:
            read = read_kept_capture(path, seen.take)
        except (InputError, DecodersError) as error:
            problems.append(f"{name}: cannot be decoded: {error}")
            continue
        for key, value in read.items():
            if capture.get(key) != value:
                problems.append(
                    f"{name}: {key} is {capture.get(key)!r} in the results, {value!r} in the capture"
                )
        problems += _contradictions(path, name, stage, stored, derived, read, seen)
    return problems


def _contradictions(
    path: Path,
    name: str,
    stage: PlannedStage,
    stored: Mapping[str, Any],
    derived: StageResult,
    read: Mapping[str, Any],
    seen: _Seen,
) -> list[str]:
    """What a capture says against the results of its stage."""
    title = stage.title
    settings = stage.settings
    strict = stage.kind in STRICT or (isinstance(settings, SoakSettings) and not settings.errored_seconds)
    if strict and derived.passed and not read["clean"]:
        moved = ", ".join(f"{counter} {by:+d}" for counter, by in read["counters"].items()) or "no sync"
        return [f"{title}: the results say {derived.outcome.value}, {name} shows errors: {moved}"]
    if stage.kind == "cm_integrity" and derived.passed and seen.gaps:
        return [f"{title}: the results say {derived.outcome.value}, {name} shows {', '.join(seen.gaps)}"]
    raw = stored["raw"]
    if stage.kind == "iq_integrity" and raw is not None and read["hyperframes"] and raw["tones"]:
        try:
            tones = tones_of_capture(path, raw["iq_map"], [row["tone_hz"] for row in raw["tones"]])
        except (DecodersError, KeyError, TypeError, ValueError, AttributeError) as error:
            return [f"{name}: the tones cannot be measured: {error}"]
        anew = STAGES[stage.kind].judge(stage.settings, {**raw, "tones": tones})
        before = {check.name: check for check in derived.checks}
        return [
            f"{title}: {check.name} is {before[check.name].outcome.value} in the results"
            f" ({before[check.name].text}), {check.outcome.value} in {name} ({check.text})"
            for check in anew
            if check.name in before and check.outcome is not before[check.name].outcome
        ]
    return []


class _Seen:
    """Numbered frames of a capture in their order."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._watches = {plane: SequenceWatch(None) for plane in (Plane.HDLC, Plane.ETHERNET)}

    def take(self, event: Event) -> None:
        if isinstance(event, FrameReceived) and event.status is FrameStatus.GOOD:
            number = number_of_frame(event.plane, event.data, self._seed)
            if number is not None:
                self._watches[event.plane].take(number)

    @property
    def gaps(self) -> list[str]:
        rows = {plane: watch.record(None) for plane, watch in self._watches.items()}
        return [
            f"{row[key]} {plane.value} frames {key}"
            for plane, row in rows.items()
            for key in ("lost", "duplicated", "reordered")
            if row[key]
        ]


def _is_inside(name: object) -> bool:
    """Whether a capture's name is one of this folder, whatever the results say."""
    parts = Path(str(name)).parts
    return len(parts) == 2 and parts[0] == CAPTURE_FOLDER and parts[1] not in ("..", ".")


def _check_report(folder: EvidenceFolder, evidence: Evidence) -> list[str]:
    """The verdicts of report.json, and every report octet for octet."""
    problems: list[str] = []
    try:
        said = folder.read_json(REPORT)
        problems += _check_verdicts(said, evidence)
    except InputError as error:
        problems.append(str(error).removeprefix(f"{folder.path}/"))
    except (KeyError, TypeError, AttributeError):
        problems.append(f"{REPORT}: is not a report")
    try:
        anew = evidence.reports()
    except (
        InputError,
        KeyError,
        TypeError,
        ValueError,
        AttributeError,
        ArithmeticError,
        TemplateError,
    ) as error:
        return [*problems, f"the reports cannot be derived: {error}"]
    # The version is a text of the folder, too: what cannot be compared must not count as compared.
    written = evidence.versions.get("framefray")
    other = "" if written == __version__ else f"; written by framefray {written}, this is {__version__}"
    for name, octets in anew.items():
        try:
            there = folder.read(name)
        except InputError as error:
            problems.append(str(error).removeprefix(f"{folder.path}/"))
            continue
        if there != octets:
            state = "is missing" if there is None else f"is not what follows from the results{other}"
            problems.append(f"{name}: {state}")
    return problems


def _check_verdicts(said: Any, evidence: Evidence) -> list[str]:
    """Where report.json says another verdict than the results and captures."""
    if said is None:
        return [f"{REPORT}: is missing"] if evidence.folder.complete else []
    result = evidence.result()
    problems = []
    derived = {stage.number: stage for stage in result.stages}
    for stage in said["stages"]:
        mine = derived.get(stage["number"])
        if mine is None:
            problems.append(f"{REPORT}: stage {stage['number']} has no results")
        elif stage["outcome"] != mine.outcome.value:
            why = "; ".join(check.text for check in mine.failed_checks) or mine.reason or "every check passes"
            where = ", ".join(mine.captures[:2])
            problems.append(
                f"{REPORT}: {mine.title} is {stage['outcome']!r}; the results"
                f"{f' and captures ({where})' if where else ''} say {mine.outcome.value!r}: {why}"
            )
    if said["verdict"] != result.outcome.value:
        problems.append(
            f"{REPORT}: the verdict is {said['verdict']!r}; the results say {result.outcome.value!r}"
        )
    return problems
