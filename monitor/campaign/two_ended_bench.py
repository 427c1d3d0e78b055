"""The campaign on two boards: a fault goes in at one, the other one's receiver is judged, and what comes back.

A verdict is one only while the two are joined. Markers prove that before the first case, and again after each case
that failed or that no counter of the other end had to tell of; where they do not arrive the campaign ends.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, fields, replace

from decoders.counters import COUNTERS
from decoders.events import Alarm, AlarmCleared, Origin
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from decoders.link.hyperframe_sync import SyncState

from ..errors import InputError
from ..faults.kinds import Expectation, Fault
from ..faults.verdict import Declared, Finding, Observation, Verdict, judge, verdict_of
from .campaign import unclean
from .cases import Case
from .conditions import LEAD_HYPERFRAMES
from .live_bench import CLEAN_WITHIN, LiveBench
from .live_link import TRAFFIC_COUNTERS, LiveConditions, Place, Trial
from .results import CaseResult
from .served import Served
from .two_ended_counts import OwnCounts
from .two_ended_proof import prove_connection, prove_way_back
from .two_ended_returns import Returned, anything, is_controller, returned, went_dark
from .two_ended_source import TwoEnds

__all__ = ["TwoEndedBench", "TwoEndedConditions"]

_BACK = 64
"""Hyperframes after a case in which something may still come back."""
_BACK_MOST = 1024
"""The same for an alarm that must come back."""
_MOVES = "moves without a fault"
_NEAR = "near:"
"""Before the plane of a place that changes by itself in what the transmitting board receives."""


@dataclass(frozen=True)
class TwoEndedConditions(LiveConditions):
    """Conditions of two boards: faults go in at `inject_at`, and `observe_at` is judged.

    `ends` are both as (name, source); `no_way_back` says why what comes back is not judged; `not_counted` are counts
    that the judged board does not keep, as far as that has shown.
    """

    inject_at: str = ""
    observe_at: str = ""
    ends: tuple[tuple[str, str], ...] = ()
    no_way_back: str | None = None
    direct: bool = True
    not_counted: list[str] = field(default_factory=list)

    @property
    def words(self) -> dict[str, str | int | None]:
        words = super().words
        return words | {
            "via": "two boards",
            "inject_at": self.inject_at,
            "observe_at": self.observe_at,
            "returned_alarms_at": None if self.no_way_back else self.inject_at,
        }

    @property
    def not_proven(self) -> list[str]:
        out = [*super().not_proven]
        if self.no_way_back is not None:
            out.append(
                f"l1: what comes back to {self.inject_at}; {self.observe_at} sends no marker ({self.no_way_back}), so"
                " it is not known whose alarms those are"
            )
        elif is_controller(self.inject_at) is None:
            out.append(
                f"l1: that a reset is acknowledged; the name {self.inject_at} does not say that it is an REC"
            )
        if not self.direct:
            out.append(
                f"sync: that no other node stands between {self.inject_at} and {self.observe_at};"
                f" {self.inject_at} does not take l1.reserved"
            )
        if self.not_counted:
            out.append(
                f"line: what {self.observe_at} itself counts; in its status {', '.join(self.not_counted)} stay 0"
            )
        return out

    def command(self, name: str, seed: int | None, *more: str) -> str:
        words = shlex.split(super().command(name, seed))
        ends = [f"{end}={source}" for end, source in self.ends]
        at = ["--inject-at", self.inject_at] + ["--observe-at", self.observe_at] * (len(ends) > 2)
        return shlex.join([*words[:2], *ends, *at, *words[3:], *more])


class TwoEndedBench(LiveBench):
    """A Bench on two boards that are joined; InputError where that cannot be proven, or is no longer so."""

    def __init__(
        self,
        ends: TwoEnds,
        sources: Sequence[tuple[str, str]],
        *,
        hyperframes: int | None = None,
        baud: int | None = None,
    ) -> None:
        self.ends = ends
        self._near_moves: Mapping[str, str] = {}
        self._not_counted: list[str] = []
        self._counts = OwnCounts(ends.far, self._not_counted)
        self._judges_back = False
        text = " ".join(f"{name}={source}" for name, source in sources)
        super().__init__(ends, text, hyperframes=hyperframes, baud=baud)
        prove_connection(ends, self.link)
        why = prove_way_back(ends, self.link)
        self._check_alarms(ends.near_trial)
        given = {field.name: getattr(self.conditions, field.name) for field in fields(LiveConditions)}
        given["description"] = f"{ends.near.description}, {ends.far.description}"
        self.conditions = TwoEndedConditions(
            **given,
            inject_at=ends.near.name,
            observe_at=ends.far.name,
            ends=tuple(sources),
            no_way_back=why,
            direct=ends.direct,
            not_counted=self._not_counted,
        )
        self._judges_back = why is None

    def _check_alarms(self, trial: Trial) -> None:
        if standing := _standing(trial):
            raise InputError(
                f"{self.ends.far.name} reports {standing} all the time",
                hint="clear the alarm first: framefray watch shows it",
            )

    # ------------------------------------------------------------------------------------------ the link

    @property
    def _near_own(self) -> Set[Place]:
        """Places that change by themselves in what the transmitting board receives."""
        return {(p.removeprefix(_NEAR), *rest) for p, *rest in self.own if p.startswith(_NEAR)}  # type: ignore[misc]

    def _clean(self, patience: int | None = None) -> tuple[Trial, Mapping[str, int]]:
        """Both receivers in sync for the lead with no counter moving; or the last, and what moved at either."""
        while self.link.hyperframe < self._busy_until:
            self.link.next()
        last = self.link.hyperframe + (CLEAN_WITHIN if patience is None else patience)
        while True:
            trial = Trial(self.link, self.own)
            near = self.ends.begin(trial, self._near_own)
            stirred: dict[str, int] = {}
            while not stirred and min(t.receiver.hyperframes for t in (trial, near)) < LEAD_HYPERFRAMES:
                trial.feed()
                stirred = self._stirred(trial, near)
                if self.link.hyperframe >= last + LEAD_HYPERFRAMES:
                    break
            if near.receiver.state is not SyncState.HFNSYNC:
                stirred[f"{self.ends.near.name} out of sync"] = 1
            elif standing := _standing(near):
                stirred[f"{standing} returned to {self.ends.near.name}"] = 1
            if not stirred or self.link.hyperframe >= last:
                trial.mark()
                near.mark()
                self._counts.begin()
                return trial, stirred

    def _stirred(self, trial: Trial, near: Trial) -> dict[str, int]:
        """Counters that move without a fault, at either end."""
        here = {name: by for name, by in trial.observation().counters.items() if name not in self._restless}
        back = {
            f"{self.ends.near.name} {name}": by
            for name, by in near.observation().counters.items()
            if name not in self._near_moves
        }
        return {name: by for name, by in (here | back).items() if by}

    # ------------------------------------------------------------------------------------------ cases

    def baseline(self) -> CaseResult:
        """Both directions as they are, judged at both ends."""
        self._near_moves = {}
        result = super().baseline()
        near = self.ends.near_trial
        places = {(_NEAR + plane, ns, xs, y) for plane, ns, xs, y in near.changed()}
        self.own = self.own | places
        seen = near.observation()
        seen = replace(seen, counters={**seen.counters, **dict.fromkeys(TRAFFIC_COUNTERS.values(), 0)})
        findings = [_at(self.ends.near.name, f) for f in unclean(seen, None, Served())]
        moved = {name for name, by in seen.counters.items() if by}
        self._near_moves = dict.fromkeys(sorted(moved), _MOVES)
        prove_connection(self.ends, self.link, 1)
        return _with(result, findings, None)

    def case(self, case: Case) -> CaseResult:
        """One case, as on one board; InputError where the boards are no longer joined."""
        if not self.ends.says_place:  # a fault may have moved what the board sends against what it counts
            self.ends.shift = None
            prove_connection(self.ends, self.link, 1)
        result = super().case(case)
        tells_itself = result.passed and result.verdict is Verdict.DETECTED
        if not (tells_itself or result.verdict is Verdict.LEFT_OUT):
            prove_connection(self.ends, self.link, 1)
        return result

    def _once(self, case: Case, faults: Sequence[Fault]) -> tuple[CaseResult, set[Place]]:
        result, changed = super()._once(case, faults)
        if result.declared is None:
            return result, changed
        expectation = result.declared.expectation
        result = _with(result, list(self._own_counts(expectation)), None)
        if not self._judges_back:
            return result, changed
        back, findings = self._back(expectation)
        near = self.ends.near_trial.changed()
        return _with(result, findings, back), changed | {(_NEAR + plane, *rest) for plane, *rest in near}  # type: ignore[misc]

    def _back(self, expectation: Expectation) -> tuple[Returned, list[Finding]]:
        """What came back to the transmitting board of faults with this expectation, and what is wrong with it."""
        name, near = self.ends.near.name, self.ends.near_trial
        due = returned(expectation, is_controller(name))
        self._wait_back(near, due.cleared, self.ends.last_near)
        seen = near.observation()
        if went_dark(expectation, seen):
            due = anything()
        moves = {each: why for each, why in self._near_moves.items() if each not in due.allowed}
        due = replace(due, tolerated={**due.tolerated, **moves})
        still = Observation(dict.fromkeys(COUNTERS, 0), (), True)
        # Whenever in the case an alarm comes back, it comes back: the boards' clocks are not each other's.
        findings = [_at(name, finding) for finding in judge(Declared(due), still, seen, 0)]
        return Returned(name, due, {each: by for each, by in seen.counters.items() if by}), findings

    def _own_counts(self, expectation: Expectation) -> Iterator[Finding]:
        """Where the judged board's own counts differ, if its line data show every code error."""
        assert self.ends.far_trial is not None
        if self.conditions.form is LineForm.FLAGGED and not self.conditions.control_only:
            seen = self.ends.far_trial.observation()
            yield from self._counts.findings(seen, expectation)

    def _wait_back(self, near: Trial, cleared: Sequence[tuple[Alarm, Origin]], first: int) -> None:
        """Read on until what must come back has come and gone, or long enough."""
        end = max(first + self.conditions.length, near.hyperframe) + _BACK
        latest = end + _BACK_MOST
        while near.hyperframe < latest:
            gone = {
                (seen.event.alarm, seen.event.origin)
                for seen in near.timed
                if isinstance(seen.event, AlarmCleared)
            }
            if near.hyperframe >= end and gone.issuperset(cleared):
                return
            self.link.next()


def _standing(trial: Trial) -> str:
    """Alarms that stand in what a board receives."""
    octet = trial.receiver.planes.remote.octet
    return ", ".join(name.upper() for name, bit in ALARM_BITS.items() if octet & bit)


def _at(name: str, finding: Finding) -> Finding:
    """A finding about what came back to this board."""
    return replace(finding, text=f"returned to {name}: {finding.text}")


def _with(result: CaseResult, findings: Sequence[Finding], back: Returned | None) -> CaseResult:
    """The result with what came back to the transmitting board."""
    declared = result.declared or Declared(anything())
    both = (*result.findings, *findings)
    verdict = verdict_of(both, declared, result.moved) if findings else result.verdict
    return replace(result, findings=both, verdict=verdict, returned=back)
