"""Runs the stages of a plan one after the other, and leaves evidence after each.

It owns the clock. A link that goes away pauses the run, for as long as the plan allows; a stage that it went away in
is done anew from its beginning. A stage that is done is never done again, passed or not.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ..errors import InputError
from .evidence import VERSIONS, Evidence, derived_result, stage_file, stored_stage, versions_record
from .folder import PLAN, EvidenceFolder, plan_digest
from .plan import AcceptancePlan, PlannedStage
from .results import AcceptanceResult, NotObservable, StageResult
from .rig import Rig
from .stage import Raw, StageContext
from .stages import STAGES

__all__ = ["AcceptanceRun", "RunNews", "begin_evidence", "resume_evidence"]

TRIES = 3
"""How often a stage is begun while the link is there and yet fails; then it is not tested."""
_POLL_S = 1.0
_CHANGING = frozenset(("resets before", "loopback"))
"""Settings of a link that a run changes itself."""


@dataclass(frozen=True, slots=True)
class RunNews:
    """What a run has to say on the way: `event` is stage, progress, done or waiting.

    `share` of the stage is done; `left_s` seconds are left of the whole run, about.
    """

    event: str
    stage: PlannedStage
    share: float = 0.0
    left_s: float = 0.0
    result: StageResult | None = None
    text: str = ""


def begin_evidence(path: Path, plan: AcceptancePlan, chosen: Sequence[int] = ()) -> EvidenceFolder:
    """A new folder with the plan in it."""
    folder = EvidenceFolder.create(path)
    _put_plan(folder, plan, chosen)
    return folder


def _put_plan(folder: EvidenceFolder, plan: AcceptancePlan, chosen: Sequence[int]) -> None:
    folder.write_json(VERSIONS, versions_record())
    octets = plan.text.encode()
    folder.note(event="planned", time=_now(), stages=list(chosen), plan=plan_digest(octets))
    folder.write(PLAN, octets)


def resume_evidence(path: Path, plan: AcceptancePlan, chosen: Sequence[int] = ()) -> EvidenceFolder:
    """The folder of an incomplete run of the same plan; InputError where it is another one's."""
    folder = EvidenceFolder.existing(path)
    octets = folder.read(PLAN)
    if octets is None:  # killed before the plan was there
        folder.begin()
        _put_plan(folder, plan, chosen)
        return folder
    if octets != plan.text.encode():
        raise InputError(f"{path}: holds a run of another plan", hint=f"compare it with {path / PLAN}")
    if folder.complete:
        return folder
    begun = _begun_with(folder.journal())
    if chosen and begun is not None and sorted(chosen) != sorted(begun):
        said = ", ".join(map(str, begun)) or "all"
        raise InputError(f"{path}: was begun with other stages ({said})", hint="leave --stage out to go on")
    folder.begin()
    folder.remove_parts()
    versions = folder.read_json(VERSIONS)
    now = versions_record()
    if versions is not None and versions["framefray"] != now["framefray"]:
        raise InputError(
            f"{path}: was begun with framefray {versions['framefray']}, this is {now['framefray']}"
        )
    if versions is None:
        folder.write_json(VERSIONS, now)
    return folder


def _begun_with(journal: Sequence[Mapping[str, Any]]) -> list[int] | None:
    """The stages that a run was begun or planned with, none for all of them; None where it was neither."""
    for event in ("begin", "planned"):
        for entry in journal:
            if entry.get("event") == event and isinstance(entry.get("stages"), list):
                return [int(number) for number in entry["stages"]]
    return None


class AcceptanceRun:
    """A run into a folder. `on_news` hears of everything; `clock` and `sleep` are for tests."""

    def __init__(
        self,
        plan: AcceptancePlan,
        rig: Rig,
        folder: EvidenceFolder,
        *,
        chosen: Sequence[int] = (),
        on_news: Callable[[RunNews], object] = lambda news: None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.plan, self.rig, self.folder = plan, rig, folder
        self._chosen = tuple(chosen)
        self._on_news = on_news
        self._sleep = sleep
        self._estimates: dict[int, float] = {}
        self._link: dict[str, str] = {}
        self._slower = 1.0
        self._took = self._thought = 0.0

    def run(self) -> AcceptanceResult:
        """All stages that are not done yet; KeyboardInterrupt and InputError leave an incomplete folder."""
        evidence = Evidence.read(self.folder)
        if self.folder.complete:
            return evidence.result()
        begin = next((entry for entry in evidence.journal if entry.get("event") == "begin"), None)
        link = dict(self.rig.settings)
        self._link = link if begin is None else dict(begin.get("link", link))
        self._check_same(link)
        self.folder.note(
            event="begin" if begin is None else "resume",
            time=_now(),
            stages=list(self._chosen) or _begun_with(evidence.journal) or [],
            link=link,
        )
        evidence = Evidence.read(self.folder)
        self._estimate(evidence)
        try:
            for stage in evidence.chosen:
                if stage.number not in evidence.stored:
                    self._stage(stage)
                    evidence = Evidence.read(self.folder)
                    evidence.write_reports()
        except BaseException as stopped:
            self.folder.note(event="stopped", time=_now(), why=type(stopped).__name__)
            Evidence.read(self.folder).write_reports()
            raise
        self.folder.note(event="end", time=_now())
        evidence = Evidence.read(self.folder)
        evidence.write_reports()
        self.folder.seal()
        return evidence.result()

    def _check_same(self, link: Mapping[str, str]) -> None:
        """InputError where the run was begun on another link: one verdict is of one board and its settings."""
        for name, before in self._link.items():
            if name not in _CHANGING and link.get(name) != before:
                raise InputError(f"{name}: the run was begun with {before}, now there is {link.get(name)}")

    def _estimate(self, evidence: Evidence) -> None:
        rate = self.rig.hyperframes_per_second()
        for stage in evidence.chosen:
            if stage.number not in evidence.stored:
                hyperframes = STAGES[stage.kind].hyperframes(stage.settings, self._context(stage))
                self._estimates[stage.number] = hyperframes / rate

    def _context(self, stage: PlannedStage) -> StageContext:
        return StageContext(self.rig, self.plan, stage, self.folder.path)

    def _left(self, stage: PlannedStage, share: float) -> float:
        later = sum(seconds for number, seconds in self._estimates.items() if number > stage.number)
        return self._slower * (later + (1 - share) * self._estimates.get(stage.number, 0.0))

    def _stage(self, stage: PlannedStage) -> None:
        attempts = sum(
            entry.get("event") == "stage" and entry.get("number") == stage.number
            for entry in self.folder.journal()
        )
        fruitless = 0
        while True:
            attempts += 1
            self._forget_captures(stage)
            self.folder.note(
                event="stage", time=_now(), number=stage.number, kind=stage.kind, attempt=attempts
            )
            self._on_news(RunNews("stage", stage, left_s=self._left(stage, 0.0)))
            try:
                raw, reason, context, seconds = self._measured(stage)
                break
            except InputError as error:
                fruitless = 0 if self._waited(stage, error) else fruitless + 1
                if fruitless >= TRIES:
                    self._forget_captures(stage)
                    raw, reason, context, seconds = None, str(error), self._context(stage), 0.0
                    break
        stored = stored_stage(
            stage,
            raw=raw,
            reason=reason,
            captures=[kept.record for kept in context.kept],
            seconds=seconds,
            attempts=attempts,
        )
        self.folder.write_json(stage_file(stage), stored)
        self._took, self._thought = (
            self._took + seconds,
            self._thought + self._estimates.get(stage.number, 0.0),
        )
        if self._thought:
            self._slower = self._took / self._thought
        result = derived_result(stage, stored)
        self.folder.note(event="stage done", time=_now(), number=stage.number, outcome=result.outcome.value)
        self._on_news(RunNews("done", stage, 1.0, self._left(stage, 1.0), result))

    def _forget_captures(self, stage: PlannedStage) -> None:
        """Those of an attempt that was not finished."""
        for path in self.folder.path.glob(f"captures/{self._context(stage).stem}-*"):
            path.unlink()

    def _measured(self, stage: PlannedStage) -> tuple[Raw | None, str, StageContext, float]:
        context = self._context(stage)
        context.progress = lambda share: self._on_news(
            RunNews("progress", stage, share, self._left(stage, share))
        )
        began = time.monotonic()
        raw: Raw | None = None
        reason = ""
        try:
            raw = STAGES[stage.kind].measure(context)
            context.finish()
        except NotObservable as why:
            reason = str(why)
        return raw, reason, context, time.monotonic() - began

    def _waited(self, stage: PlannedStage, error: InputError) -> bool:
        """Wait for a link that is gone, as long as the plan allows; False where it was there all the time."""
        until = time.monotonic() + self.plan.wait_s
        gone = False
        while True:
            try:
                self.rig.check_present()
                if gone:
                    self._check_same(self.rig.settings)
            except InputError as still:
                if not gone:
                    self.folder.note(event="waiting", time=_now(), number=stage.number, why=str(error))
                gone = True
                if time.monotonic() >= until:
                    raise InputError(f"{still}; waited {self.plan.wait_s:g} s for it") from None
                self._on_news(RunNews("waiting", stage, text=str(still)))
                self._sleep(_POLL_S)
            else:
                return gone


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
