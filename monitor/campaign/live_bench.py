"""The campaign on a running board: a fresh receiver for each case, on a link that is never begun anew.

Before each case the link must be clean for a while. A fault that would go on for ever is given an end, for a board is
not told to take one back. Frames that are good come and go as the board pleases, and so do the vendor specific and
Ctrl_AxC octets that it changes by itself: those are held to nothing, every other counter is, as on the emulated link.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from types import MappingProxyType

from decoders.counters import COUNTERS
from decoders.link.hyperframe_sync import SyncState

from ..boards.board import NOT_IN_CONTROL_WORDS
from ..errors import InputError, RefusedError
from ..faults.catalogue import parse_fault
from ..faults.injector import check_fault, reach
from ..faults.kinds import Expectation, Fault, Layer
from ..faults.together import UNBOUNDED, together
from ..faults.verdict import GOOD_FRAMES, Declared, Finding, Observation, Verdict, judge, worst
from .campaign import TRAFFIC, as_ended, conclude, unclean, unproven
from .cases import Case
from .conditions import LEAD_HYPERFRAMES
from .declared import declare, ends_out_of_sync, length_for
from .known_answers import AnswerResult
from .live_answers import check_line_answers
from .live_link import TRAFFIC_COUNTERS, LiveConditions, LiveLink, LiveSource, Place, Trial
from .results import CaseResult
from .served import Served
from .transmission import PlacedFault

__all__ = ["LiveBench"]

CLEAN_WITHIN = 3000
"""Hyperframes in which the link must have been clean for the lead of a case."""
TRIES = 3
"""How often a case is tried: line data may be lost on their way, and a slow counter of the board may step."""
BASELINE_HYPERFRAMES = 600
"""Four 10 ms frames: octets that change with the frame number change in them."""
_AHEAD, _MOST_AHEAD = 64, 4096
"""Hyperframes ahead, at first and at most, for which faults that belong together are asked."""
_AFTERWARDS = 8
_NOTHING_HELD = "no counter had to change, and what else the board sends is not known here"
_GOOD = frozenset(GOOD_FRAMES.values())


class LiveBench:
    """A Bench on a running board; InputError where it is gone, sends no line data, or has no link in sync.

    `own` are the places that change with the board's traffic, known after the baseline.
    """

    def __init__(
        self, source: LiveSource, name: str, *, hyperframes: int | None = None, baud: int | None = None
    ) -> None:
        self.link = LiveLink(source)
        self._source = source
        self._busy_until = 0
        self._ahead = _AHEAD
        self._restless: Mapping[str, str] = {}
        self.own: Set[Place] = frozenset()
        receiver = self._clean(patience=LEAD_HYPERFRAMES)[0].receiver
        planes = receiver.planes
        if planes.pointer.accepted is None or planes.rate.accepted is None:
            raise InputError(
                f"{source.description}: no hyperframe sync within {2 * LEAD_HYPERFRAMES} hyperframes",
                hint="watch SOURCE shows what is on the link",
            )
        self.conditions = LiveConditions(
            name,
            source.description,
            source.option,
            self.link.form,
            planes.pointer.accepted,
            planes.rate.accepted,
            hyperframes,
            baud,
            control_only=source.control_only,
            fec=source.fec,
            scrambling=receiver.scrambling_seed,
        )
        self._version = planes.version.accepted

    # ------------------------------------------------------------------------------------------ the link

    def _clean(self, patience: int = CLEAN_WITHIN) -> tuple[Trial, Mapping[str, int]]:
        """A receiver in sync for the lead with no counter moving; or when patience ends the last, and what moved."""
        while self.link.hyperframe < self._busy_until:
            self.link.next()
        last = self.link.hyperframe + patience
        while True:
            trial = Trial(self.link, self.own)
            stirred: dict[str, int] = {}
            while trial.receiver.hyperframes < LEAD_HYPERFRAMES and not stirred:
                trial.feed()
                counters = trial.observation().counters
                stirred = {name: by for name, by in counters.items() if by and name not in self._restless}
                if self.link.hyperframe >= last + LEAD_HYPERFRAMES:
                    break
            if not stirred or self.link.hyperframe >= last:
                trial.mark()
                return trial, stirred

    def clean_trial(self) -> Trial:
        """A receiver on the clean link; InputError where that is not to be had."""
        trial, stirred = self._clean()
        if stirred or trial.receiver.state is not SyncState.HFNSYNC:
            raise InputError(f"{self._source.description}: {_unclean(stirred)}")
        return trial

    def _place(self, faults: Sequence[Fault], tail: int) -> list[PlacedFault]:
        """Ask the board for the faults, all in the same hyperframe; RefusedError where it will not."""
        when: int | None = None
        placed: list[PlacedFault] = []
        for fault in faults:
            if len(faults) > 1 and fault.hyperframe is None:
                fault = replace(
                    fault, hyperframe=self.link.hyperframe + self._ahead if when is None else when
                )
            try:
                injection = self._source.inject(fault.text)
            except RefusedError:
                if when is not None:
                    self._busy_until = when + tail  # those asked for before it come all the same
                raise
            when = injection.hyperframe
            text = replace(parse_fault(injection.text), hyperframe=when).text
            placed.append(PlacedFault(text, when, None))
        return placed

    # ------------------------------------------------------------------------------------------ cases

    def known_answers(self) -> list[AnswerResult]:
        """What the board has on its line for known frames and bits, against a table."""
        return check_line_answers(self.link, self.conditions, self._version)

    def baseline(self) -> CaseResult:
        """The link as it is.

        Vendor specific and Ctrl_AxC octets that change are the board's own traffic. Other counters that move by
        themselves are named, and held to nothing afterwards.
        """
        self._restless, self.own = {}, frozenset()
        trial, _ = self._clean(patience=0)
        end = self.link.hyperframe + max(self.conditions.length, BASELINE_HYPERFRAMES)
        while trial.feed(end):
            pass
        self.own = frozenset(trial.changed())
        seen = trial.observation(frames=True)
        seen = replace(seen, counters={**seen.counters, **dict.fromkeys(TRAFFIC_COUNTERS.values(), 0)})
        findings = tuple(unclean(seen, None, Served()))
        moved = {name: value for name, value in seen.counters.items() if value}
        self._restless = dict.fromkeys(sorted(moved.keys() - _GOOD), "moves without a fault")
        verdict = worst(findings, Verdict.CLEAN)
        return CaseResult(Case(()), None, verdict, Declared(TRAFFIC), moved, findings)

    def case(self, case: Case) -> CaseResult:
        """One case; LEFT_OUT where a fault has no place in the link, or the board does not put it in."""
        conditions = self.conditions
        faults = [parse_fault(text) for text in case.faults]
        codes, line = (conditions.pointer_p, conditions.rate_code), conditions.sent_line
        if why := _only_emulated(case, faults):
            return _without(case, Verdict.LEFT_OUT, why)
        try:
            for fault in faults:
                check_fault(fault, conditions.line, *codes, fec=line.fec, version=line.version)
                self._check_own(fault)
                if conditions.control_only and fault.kind.plane in NOT_IN_CONTROL_WORDS:
                    raise InputError(f"fault {fault.kind.name} would not show in control words only")
        except InputError as reason:
            return _without(case, Verdict.LEFT_OUT, str(reason))
        strange: Set[Place] = frozenset()
        tries = 0
        while tries < TRIES:
            tries += 1
            lost = self.link.lost
            try:
                result, changed = self._once(case, faults)
            except RefusedError as reason:
                if len(faults) == 1 or self._ahead >= _MOST_AHEAD:
                    return _without(case, Verdict.LEFT_OUT, str(reason))
                # A board that runs fast may be past that hyperframe already.
                self._ahead *= 4
                tries -= 1
                continue
            if self.link.lost != lost:
                continue
            # A slow counter of the board shows once in a while; what a fault does shows each time.
            self.own |= strange - changed
            strange = changed - strange if not result.passed else frozenset()
            if not strange:
                return replace(unproven(result, _NOTHING_HELD), tries=tries)
        if self.link.lost != lost:
            return _without(
                case, Verdict.UNSEEN, f"line data did not come {TRIES} times: the line is too slow or broken"
            )
        return replace(unproven(result, _NOTHING_HELD), tries=tries)

    def _check_own(self, fault: Fault) -> None:
        values = fault.values
        if "ns" in values and (fault.kind.plane, values["ns"], values["xs"], values["y"]) in self.own:
            raise InputError(
                f"fault {fault.kind.name}: ns={values['ns']}, xs={values['xs']}, y={values['y']} changes by itself"
                " on this board"
            )

    def _once(self, case: Case, faults: Sequence[Fault]) -> tuple[CaseResult, set[Place]]:
        """The result, and the places beside the faults' that changed."""
        trial, stirred = self._clean()
        if stirred or trial.receiver.state is not SyncState.HFNSYNC:
            return _without(case, Verdict.UNSYNCED, f"before the fault, {_unclean(stirred)}"), set()
        conditions = replace(self.conditions, first_hfn=trial.first_hfn)
        nominal = [replace(fault, hyperframe=LEAD_HYPERFRAMES) for fault in faults]
        tail = length_for(nominal, conditions) - LEAD_HYPERFRAMES
        placed = self._place([_ending(fault, tail) for fault in faults], tail)
        first = min(place.hyperframe for place in placed)
        end = max(place.hyperframe for place in placed) + tail
        while trial.feed(end):
            pass
        origin = trial.origin
        local = [replace(parse_fault(p.text), hyperframe=p.hyperframe - origin) for p in placed]
        lasts = max((reach(fault) or 0 for fault in local), default=0)
        self._busy_until = max(end, first + lasts + _AFTERWARDS)
        declared = declare(local, conditions, end - origin)
        free = together(declared.expectation, Expectation(tolerated=self._restless, within_hyperframes=0))
        if case.title:  # many frames of one channel leave one after the other
            free = replace(free, within_hyperframes=UNBOUNDED)
        declared = replace(declared, expectation=free)
        seen = as_ended(trial.observation(), ends_out_of_sync(faults, conditions))
        still = Observation(dict.fromkeys(COUNTERS, 0), (), True)
        findings = judge(declared, still, seen, first - origin)
        # Between control words there are only zeros that nobody has sent.
        excerpts = () if conditions.control_only else trial.excerpts(placed, conditions.line)
        result = conclude(case, None, declared, still, seen, first - origin, findings, placed, excerpts)
        return result, trial.changed() - _places(local)


def _only_emulated(case: Case, faults: Sequence[Fault]) -> str:
    """Why a case needs a link that is begun anew, and whose sender's list is known; empty where it does not."""
    settings = (case.pointer_p, case.rate_code, case.delay_bits, case.first_hfn, case.option, case.form)
    if case.every_plane or any(value is not None for value in settings):
        return "the settings of a board stand"
    if not faults:
        return "what a board sends by itself is not known here"
    if case.title and not all(f.kind.layer is Layer.CHANNEL and f.hyperframe is None for f in faults):
        return "what follows from faults that meet is known of emulated links only"
    return ""


def _places(faults: Sequence[Fault]) -> set[Place]:
    """Control octets that the faults name."""
    values = ((fault.kind.plane, fault.values) for fault in faults if "ns" in fault.values)
    return {(plane, v["ns"], v["xs"], v["y"]) for plane, v in values}


def _unclean(stirred: Mapping[str, int]) -> str:
    why = ", ".join(f"{name} {by:+d}" for name, by in stirred.items()) or "no hyperframe sync"
    return f"the link was not clean within {CLEAN_WITHIN} hyperframes: {why}"


def _ending(fault: Fault, tail: int) -> Fault:
    """A fault that goes on for ever ends after what is looked at, where it can have an end."""
    limits = {p.name: p.high for p in fault.kind.parameters}
    if reach(fault) is None and "hyperframes" in limits:
        lasts = min(tail + _AFTERWARDS, limits["hyperframes"])
        return replace(fault, values=MappingProxyType({**fault.values, "hyperframes": lasts}))
    return fault


def _without(case: Case, verdict: Verdict, text: str) -> CaseResult:
    return CaseResult(case, None, verdict, None, {}, (Finding(verdict, None, text),))
