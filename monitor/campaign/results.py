"""Results of the campaign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from decoders.events import Plane

from ..errors import MonitorError
from ..faults.verdict import Declared, Finding, Verdict
from .cases import Case
from .conditions import Conditions
from .known_answers import AnswerResult
from .rules import Rule
from .served import Served
from .transmission import PlacedFault
from .two_ended_returns import Returned

__all__ = ["Campaign", "CaseResult", "Excerpt"]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Octets as sent around a damage: `octets[at]` is the first damaged one, `first` the number of octets[0]."""

    fault: str
    first: int
    at: int
    octets: tuple[str, ...]
    what: str


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One case at one seed (None on a board). `moved` is against the baseline; times are hyperframes from the fault's
    own: to the first event that tells of it, and to the last one or the return to HFNSYNC. `held`: facts that were
    held against the sender's list. `tries`: how often it was put in until this came of it. `no_place`: such a link
    has no place for it, so nothing is missing. `returned`: what came back to the board that transmits, if another
    one does."""

    case: Case
    seed: int | None
    verdict: Verdict
    declared: Declared | None
    moved: Mapping[str, int]
    findings: tuple[Finding, ...]
    placed: tuple[PlacedFault, ...] = ()
    detected_after: int | None = None
    recovered_after: int | None = None
    excerpts: tuple[Excerpt, ...] = ()
    held: int = 0
    seconds: float = 0.0
    tries: int = 1
    no_place: bool = False
    returned: Returned | None = None

    @property
    def passed(self) -> bool:
        """Nothing is wrong with it; whether it shows anything, `skipped` says."""
        return self.verdict.passed

    @property
    def skipped(self) -> bool:
        return self.verdict.word == "skip"


@dataclass(slots=True)
class Campaign:
    """Results as far as they have come; `interrupted` where the rest is missing, `trouble` what ended it."""

    conditions: Conditions
    results: list[CaseResult] = field(default_factory=list)
    planned: int = 0
    interrupted: bool = False
    trouble: MonitorError | None = None
    receiver: str = "the project's own decoder"
    own_receiver: bool = True
    size: str = "default"
    rules: Sequence[Rule] = ()
    answers: list[AnswerResult] = field(default_factory=list)
    served: Served = field(default_factory=Served)

    @property
    def passed(self) -> bool:
        """Nothing that was done failed; the known answers are among it."""
        return all(result.passed for result in self.results) and all(row.passed for row in self.answers)

    @property
    def not_proven(self) -> list[str]:
        """What a pass of this campaign says nothing of, a line each."""
        out = [
            f"{plane.value}: the receiver does not serve it"
            if plane not in self.served.serves
            else f"{plane.value}: judged by counters alone, the receiver does not tell what it delivers"
            for plane in Plane
            if plane not in self.served.delivers
        ]
        return out + self.conditions.not_proven

    @property
    def proves(self) -> bool:
        """Whether any fault was put in."""
        return any(not r.case.is_baseline and not r.skipped for r in self.results)

    def count(self, *, passed: bool) -> int:
        """Cases passed or failed, those left out or not proven not counted."""
        return sum(r.passed is passed for r in self.results if not r.skipped)

    @property
    def left_out(self) -> int:
        return sum(r.skipped for r in self.results)
