"""Acceptance from programs of one's own: open a plan, run its stages, keep evidence, and look at frozen results.

This module is stable: names here are not renamed, and results only gain fields. Everything is in `monitor.acceptance`
because the package has no module named like the program.

A plan from text, and one stage of it without a folder:

    >>> from monitor.acceptance.api import open_plan, run_stage
    >>> plan = open_plan('''
    ... name = "bench 3"
    ... source = "emulated"
    ... leave_out = ["ber", "campaign", "rates", "soak"]
    ... [settings.quiet]
    ... hyperframes = 300
    ... ''')
    >>> [stage.kind for stage in plan.stages][:3]
    ['link_up', 'quiet', 'loopback']
    >>> quiet = run_stage(plan, 2)
    >>> quiet.outcome.value, quiet.passed
    ('pass', True)
    >>> [check.name for check in quiet.checks]
    ['sync at REC-A', 'extent at REC-A', 'errors at REC-A']

A defect in the emulated link, and what the stage says of it:

    >>> broken = open_plan('''
    ... source = "emulated"
    ... [settings.delay]
    ... resets = 20
    ... [emulated]
    ... compensation = "missing"
    ... ''')
    >>> delay = run_stage(broken, 9)
    >>> delay.outcome.value
    'fail'
    >>> delay.failed_checks[0].name
    'delay through resets'

A whole run with its folder of evidence, and the check of it:

    >>> import tempfile, pathlib
    >>> from monitor.acceptance.api import accept, check
    >>> short = open_plan('''
    ... source = "emulated"
    ... [[stage]]
    ... kind = "vendor"
    ... places = 2
    ... ''')
    >>> folder = pathlib.Path(tempfile.mkdtemp()) / "evidence"
    >>> accept(short, folder).outcome.value
    'pass'
    >>> check(folder).passed
    True
    >>> sorted(path.name for path in folder.iterdir())[:3]
    ['journal.jsonl', 'junit.xml', 'manifest.json']

On a board, `allow=True` lets it transmit and reset; without it a plan that needs this is refused with an InputError.
Mistakes in a plan are an InputError of one line, too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from ..errors import InputError
from .checking import EvidenceCheck, check_evidence
from .differences import EvidenceDifference, Moved, compare_evidence
from .dry_run import planned_record, touched
from .evidence import derived_result, stored_stage
from .folder import EvidenceFolder
from .opening_rigs import open_rig
from .plan import AcceptancePlan, PlannedStage, parse_acceptance_plan, read_acceptance_plan
from .results import AcceptanceOutcome, AcceptanceResult, Check, NotObservable, StageResult
from .rig import Rig
from .run import AcceptanceRun, RunNews, begin_evidence, resume_evidence
from .stage import StageContext
from .stages import STAGES

__all__ = [
    "AcceptanceOutcome",
    "AcceptancePlan",
    "AcceptanceResult",
    "Check",
    "EvidenceCheck",
    "EvidenceDifference",
    "Moved",
    "PlannedStage",
    "RunNews",
    "StageResult",
    "accept",
    "check",
    "diff",
    "open_plan",
    "open_plan_file",
    "planned_record",
    "run_stage",
]


def open_plan(text: str) -> AcceptancePlan:
    """A plan from TOML text; InputError says what is wrong with it."""
    return parse_acceptance_plan(text)


def open_plan_file(path: str | Path) -> AcceptancePlan:
    """A plan from a file."""
    return read_acceptance_plan(str(path))


def run_stage(
    plan: AcceptancePlan, number: int, *, rig: Rig | None = None, allow: bool = False
) -> StageResult:
    """One stage of a plan, by its number, without a folder; no captures are kept.

    InputError where the plan has no such stage, where the link is gone, or where a board may not be touched.
    """
    stage = next((stage for stage in plan.stages if stage.number == number), None)
    if stage is None:
        raise InputError(f"the plan has no stage {number}; it has {len(plan.stages)}")
    rig = _allowed(plan, rig, allow, [number])
    context = StageContext(rig, plan, stage)
    try:
        stored = stored_stage(stage, raw=STAGES[stage.kind].measure(context))
    except NotObservable as why:
        stored = stored_stage(stage, raw=None, reason=str(why))
    return derived_result(stage, stored)


def accept(
    plan: AcceptancePlan,
    folder: str | Path,
    *,
    rig: Rig | None = None,
    resume: bool = False,
    allow: bool = False,
    stages: Sequence[int] = (),
    on_news: Callable[[RunNews], object] = lambda news: None,
) -> AcceptanceResult:
    """The stages of a plan (those that `stages` names) into a new folder, or on with an incomplete one.

    KeyboardInterrupt and InputError leave a folder that says INCOMPLETE.
    """
    numbers = {stage.number for stage in plan.stages}
    if strange := [number for number in stages if number not in numbers]:
        raise InputError(f"the plan has no stage {strange[0]}; it has {len(numbers)}")
    path = Path(folder)
    rig = _allowed(plan, rig, allow, stages)
    begun: EvidenceFolder = (resume_evidence if resume else begin_evidence)(path, plan, stages)
    return AcceptanceRun(plan, rig, begun, chosen=stages, on_news=on_news).run()


def _allowed(plan: AcceptancePlan, rig: Rig | None, allow: bool, stages: Sequence[int]) -> Rig:
    rig = open_rig(plan) if rig is None else rig
    if not allow and (what := touched(plan, rig, stages)):
        raise InputError(f"this makes the board transmit or reset ({what[0]})", hint="allow it (--yes)")
    return rig


def check(folder: str | Path) -> EvidenceCheck:
    """Whether an evidence folder is whole, and whether its verdicts follow from what is in it."""
    return check_evidence(Path(folder))


def diff(before: str | Path, after: str | Path) -> EvidenceDifference:
    """What changed between two evidence folders, beyond its uncertainty or not."""
    return compare_evidence(Path(before), Path(after))
