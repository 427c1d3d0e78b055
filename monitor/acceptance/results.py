"""Results of an acceptance run: checks, stages and the verdict on the whole.

Frozen and free of the world. A check that could not see what it claims is `not tested`, never `pass`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

__all__ = [
    "AcceptanceOutcome",
    "AcceptanceResult",
    "Check",
    "NotObservable",
    "StageResult",
    "overall_outcome",
    "stage_outcome",
]


class AcceptanceOutcome(StrEnum):
    """What a check, a stage or a run came to."""

    PASS = "pass"
    FAIL = "fail"
    NOT_TESTED = "not tested"
    INCOMPLETE = "incomplete"


class NotObservable(Exception):
    """Something of a link that cannot be seen or done there; `str()` says why."""


@dataclass(frozen=True, slots=True)
class Check:
    """One claim of a stage, and what became of it.

    `value` and `limit` are in `unit`. `uncertainty` is the half-width around `value` at `level` of confidence where
    one is known. A stage passes only where every `essential` check does.
    """

    name: str
    outcome: AcceptanceOutcome
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    level: float | None = None
    essential: bool = True

    @property
    def passed(self) -> bool:
        return self.outcome is AcceptanceOutcome.PASS


@dataclass(frozen=True, slots=True)
class StageResult:
    """One stage: its checks, why it was not tested, and how to repeat it alone.

    `raw` is everything that was measured, from which the checks follow; `attempts` how often it was begun;
    `captures` are files of the evidence folder.
    """

    number: int
    kind: str
    title: str
    required: bool
    outcome: AcceptanceOutcome
    checks: tuple[Check, ...] = ()
    reason: str = ""
    raw: Mapping[str, Any] = field(default_factory=dict)
    captures: tuple[str, ...] = ()
    seconds: float = 0.0
    attempts: int = 1
    repeat_with: str = ""

    @property
    def passed(self) -> bool:
        return self.outcome is AcceptanceOutcome.PASS

    @property
    def failed_checks(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.outcome is AcceptanceOutcome.FAIL)


@dataclass(frozen=True, slots=True)
class AcceptanceResult:
    """A run so far; `planned` stages, of which `stages` are done."""

    name: str
    planned: int
    stages: tuple[StageResult, ...]
    outcome: AcceptanceOutcome
    reason: str

    @property
    def passed(self) -> bool:
        return self.outcome is AcceptanceOutcome.PASS


def stage_outcome(checks: Sequence[Check]) -> AcceptanceOutcome:
    """Fail where a check fails; pass where every essential one passes and there is one; else not tested."""
    if any(check.outcome is AcceptanceOutcome.FAIL for check in checks):
        return AcceptanceOutcome.FAIL
    essential = [check for check in checks if check.essential]
    return (
        AcceptanceOutcome.PASS
        if essential and all(check.passed for check in essential)
        else AcceptanceOutcome.NOT_TESTED
    )


def overall_outcome(
    planned: int, stages: Iterable[StageResult], *, interrupted: bool = False
) -> tuple[AcceptanceOutcome, str]:
    """The verdict on a run and the reason for it: a pass needs every required stage passed, and one at least."""
    done = list(stages)
    failed = [stage.title for stage in done if stage.outcome is AcceptanceOutcome.FAIL]
    missing = [
        stage.title for stage in done if stage.required and stage.outcome is AcceptanceOutcome.NOT_TESTED
    ]
    if failed:
        return AcceptanceOutcome.FAIL, "failed: " + ", ".join(failed)
    if interrupted or len(done) < planned:
        return AcceptanceOutcome.INCOMPLETE, f"stopped after {len(done)} of {planned} stages"
    if missing:
        return AcceptanceOutcome.INCOMPLETE, "required, but not tested: " + ", ".join(missing)
    if not any(stage.passed and stage.required for stage in done):
        return AcceptanceOutcome.INCOMPLETE, "no required stage was tested"
    return AcceptanceOutcome.PASS, "every required stage passed"
