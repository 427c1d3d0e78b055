"""Mutants through the campaign: which of its cases fail each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from typing import Any
from unittest import mock

from decoders.counters import plane_of_counter
from decoders.line_coding.characters import LineForm
from monitor.campaign import campaign
from monitor.campaign.campaign import Baselines
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.known_answers import check_known_answers, known_streams
from monitor.campaign.results import CaseResult
from monitor.campaign.rules import default_cases
from monitor.campaign.transmission import Transmission
from monitor.faults.catalogue import parse_fault
from monitor.faults.kinds import Fault

from .declaration import Mutant

__all__ = ["Judged", "Judging"]

SEED = 3
_KEPT = 96
"""Transmissions that are kept for the next mutant."""
_NEAR = {"delay": {"line", "l1"}, "line": {"sync", "fec"}, "sync": {"line", "scrambling"}}
"""RS-FEC is of the line, seeds are of sync. LOS and the sync byte belong to the line and to sync, delay shows by
alignment and by reset requests."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a mutant: names of the cases and `known:STREAM` that failed it, and their planes."""

    mutant: Mutant
    failed: tuple[str, ...] = ()
    planes: frozenset[str] = frozenset()

    @property
    def caught(self) -> bool:
        return bool(self.failed)

    @property
    def named(self) -> bool:
        """Whether a failure has the mutant's plane."""
        return not self.planes.isdisjoint({self.mutant.plane} | _NEAR.get(self.mutant.plane, set()))

    @property
    def text(self) -> str:
        word = "caught" if self.caught and self.named else "OTHER PLANE" if self.caught else "NOT CAUGHT"
        if self.mutant.equivalent and not self.caught:
            word = "equivalent"
        cases = ", ".join(self.failed[:4]) + (
            f" and {len(self.failed) - 4} more" if len(self.failed) > 4 else ""
        )
        return f"{word:11} {self.mutant.plane:9} {self.mutant.name}: {cases or 'nothing fails it'}"

    def with_(self, other: Judged) -> Judged:
        return Judged(self.mutant, self.failed + other.failed, self.planes | other.planes)


class Judging:
    """Every mutant gets the same transmissions: the last ones are kept."""

    def __init__(self) -> None:
        transmit = campaign.transmit

        @lru_cache(_KEPT)
        def made(conditions: LinkConditions, texts: tuple[str, ...], length: int) -> Transmission:
            return transmit(conditions, [parse_fault(text) for text in texts], length)

        def sent(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
            return made(conditions, tuple(fault.text for fault in faults), length)

        due_of = campaign.due_of
        dues: dict[Any, tuple[Any, Any]] = {}

        def due(stream: Any, **settings: Any) -> Any:
            key = (id(stream), *sorted(settings.items()))
            if key not in dues:
                while len(dues) >= _KEPT:
                    del dues[next(iter(dues))]
                dues[key] = (stream, due_of(stream, **settings))
            return dues[key][1]

        self._instead: dict[str, Callable[..., Any]] = {"transmit": sent, "due_of": due}

    @contextmanager
    def _sent_once(self) -> Iterator[None]:
        with ExitStack() as stack:
            for name, function in self._instead.items():
                stack.enter_context(mock.patch.object(campaign, name, function))
            yield

    def whole(self, mutant: Mutant, pattern: str = "*") -> Judged:
        """Against the known answers and every case of the default campaign."""
        judged = self.known(mutant, "*", every=True)
        cases = [c for c in self.cases(mutant) if c.is_baseline or fnmatchcase(c.name, pattern)]
        return judged.with_(self.cases_failing(mutant, cases, every=True))

    def until_caught(self, mutant: Mutant) -> Judged:
        """Against the default campaign until a failure has the mutant's plane; what is declared comes first."""
        judged = self.declared(mutant)
        if not judged.named:
            judged = judged.with_(self.known(mutant, "*"))
        if not judged.named:
            cases = sorted(self.cases(mutant), key=lambda case: not case.name.startswith(mutant.plane))
            judged = judged.with_(self.cases_failing(mutant, cases))
        return judged

    def declared(self, mutant: Mutant) -> Judged:
        """Against what the mutant's declaration names, until something of its plane fails it."""
        judged = Judged(mutant)
        for pattern in mutant.caught_by:
            if pattern.startswith("known:"):
                judged = judged.with_(self.known(mutant, pattern.removeprefix("known:")))
                if judged.named:
                    return judged
        cases = [c for c in self.cases(mutant) if any(fnmatchcase(c.name, p) for p in mutant.caught_by)]
        return judged.with_(self.cases_failing(mutant, cases))

    def cases(self, mutant: Mutant) -> list[Case]:
        return default_cases(mutant.link(seed=SEED))

    def known(self, mutant: Mutant, pattern: str, *, every: bool = False) -> Judged:
        """Against the known answers whose stream's name fits the pattern."""
        judged = Judged(mutant)
        for stream in known_streams():
            if fnmatchcase(stream.name, pattern):
                wrong = [r for r in check_known_answers(mutant.make, streams=[stream]) if not r.passed]
                if wrong:
                    found = Judged(mutant, (f"known:{stream.name}",), frozenset(r.plane.value for r in wrong))
                    judged = judged.with_(found)
                if judged.named and not every:
                    break
        return judged

    def cases_failing(self, mutant: Mutant, cases: Iterable[Case], *, every: bool = False) -> Judged:
        """Against cases, until one of the mutant's plane fails it, or all of them."""
        judged = Judged(mutant)
        for result in self.results(mutant, cases):
            if not result.passed:
                judged = judged.with_(Judged(mutant, (result.case.name,), frozenset(planes_of(result))))
                if judged.named and not every:
                    break
        return judged

    def results(self, mutant: Mutant, cases: Iterable[Case]) -> Iterator[CaseResult]:
        """The result of each case, one after the other."""
        bench = Baselines(mutant.link(seed=SEED, form=LineForm.BITS), mutant.make)
        for case in cases:
            with self._sent_once():
                result = bench.baseline() if case.is_baseline else bench.case(case)
            yield result


def planes_of(result: CaseResult) -> Iterator[str]:
    """Planes that a failing case names, by its faults and by its findings."""
    yield from (text.split(".")[0] for text in result.case.faults)
    for finding in result.findings:
        for name in (finding.counter or "").split(" + "):
            if name:
                yield plane_of_counter(name).value
        plane = getattr(finding, "plane", None)
        if plane is not None:
            yield str(getattr(plane, "value", plane))
