"""What a stage is: it measures on a rig and leaves raw results; a judge makes checks of them, then and ever after."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from .captures import CaptureKeeper, KeptCapture
from .plan import AcceptancePlan, PlannedStage
from .results import Check
from .rig import Rig, Streams
from .stage_settings import StageSettings

__all__ = ["Raw", "Stage", "StageContext"]

Raw = Mapping[str, Any]
"""What was measured: numbers, texts, lists and dicts only, so that JSON holds all of it."""


@dataclass(slots=True)
class StageContext:
    """What a stage measures with. `folder` None keeps no captures."""

    rig: Rig
    plan: AcceptancePlan
    stage: PlannedStage
    folder: Path | None = None
    progress: Callable[[float], object] = lambda done: None
    kept: list[KeptCapture] = field(default_factory=list)
    _keepers: list[CaptureKeeper] = field(default_factory=list)

    @property
    def stem(self) -> str:
        """The beginning of the names of the stage's files."""
        return f"{self.stage.number:02d}-{self.stage.kind}"

    def keeper(self, streams: Streams, *, before: int = 2) -> CaptureKeeper:
        """Keeps captures of these streams, with so many chunks before a failure."""
        number = len(self._keepers)
        stem = self.stem if not number else f"{self.stem}-{number}"
        keeper = CaptureKeeper(self.folder, stem, streams.points, before=before, into=self.kept)
        self._keepers.append(keeper)
        return keeper

    def finish(self) -> None:
        """Write the captures that are still open."""
        for keeper in self._keepers:
            keeper.finish()


class Stage(Protocol):
    """A kind of stage."""

    @property
    def claims(self) -> str:
        """What a pass of it says, in a sentence."""
        ...

    def measure(self, context: StageContext) -> Raw:
        """Measure on the rig; NotObservable where that cannot be, InputError where the link goes away."""
        ...

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        """Checks that follow from what was measured."""
        ...

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        """Hyperframes of line time that it takes, about."""
        ...
