"""Mutants through the campaign: which of its cases fail each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from typing import Any
from unittest import mock

from monitor.campaign import campaign
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.known_answers import check_known_answers, known_streams
from monitor.campaign.receivers import ReceiverFactory
from monitor.campaign.transmission import Transmission
from monitor.faults.kinds import Fault

from .declaration import Mutant

__all__ = ["Judged", "Judging"]

SEED = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a mutant: names of the cases and `known:STREAM` that failed it, and their planes."""

    mutant: Mutant
    failed: tuple[str, ...]
    planes: frozenset[str]

    @property
    def caught(self) -> bool:
        return bool(self.failed)

    @property
    def named(self) -> bool:
        """Whether a failure has the mutant's plane. LOS belongs to the line and to sync, delay to the line."""
        near = {self.mutant.plane} | {"delay": {"line", "l1"}, "line": {"sync"}, "sync": {"line"}}.get(
            self.mutant.plane, set()
        )
        return bool(near & self.planes)

    @property
    def text(self) -> str:
        word = "caught" if self.caught and self.named else "CAUGHT ELSEWHERE" if self.caught else "NOT CAUGHT"
        if self.mutant.equivalent and not self.caught:
            word = "equivalent"
        cases = ", ".join(self.failed[:4]) + (
            f" and {len(self.failed) - 4} more" if len(self.failed) > 4 else ""
        )
        return f"{word:17} {self.mutant.plane:9} {self.mutant.name}: {cases or 'no case fails it'}"


class Judging:
    """Every mutant gets the same transmissions: they are made once."""

    def __init__(self) -> None:
        real = campaign.transmit

        @cache
        def made(conditions: LinkConditions, texts: tuple[str, ...], length: int, *more: Any) -> Transmission:
            return real(conditions, [campaign.parse_fault(text) for text in texts], length, *more)

        def cached(
            conditions: LinkConditions, faults: Sequence[Fault], length: int, *more: Any
        ) -> Transmission:
            return made(conditions, tuple(fault.text for fault in faults), length, *more)

        self._transmit = cached

    @contextmanager
    def _sent_once(self) -> Iterator[None]:
        with mock.patch.object(campaign, "transmit", self._transmit):
            yield

    def cases(self, option: str) -> list[Case]:
        return every_case()

    def whole(self, mutant: Mutant, pattern: str = "*") -> Judged:
        """Against the known answers and every case."""
        cases = [case for case in self.cases(mutant.option) if fnmatchcase(case.name, pattern)]
        known = [stream.name for stream in known_streams()]
        return self._judge(mutant, known, cases)

    def declared(self, mutant: Mutant) -> Judged:
        """Against what the mutant's declaration names, until something fails it."""
        known = [
            stream.name
            for stream in known_streams()
            if any(fnmatchcase(f"known:{stream.name}", pattern) for pattern in mutant.caught_by)
        ]
        judged = self._judge(mutant, known, [])
        if judged.caught:
            return judged
        for case in self.cases(mutant.option):
            if any(fnmatchcase(case.name, pattern) for pattern in mutant.caught_by):
                judged = self._judge(mutant, [], [case])
                if judged.caught:
                    break
        return judged

    def _judge(self, mutant: Mutant, known: Sequence[str], cases: Sequence[Case]) -> Judged:
        failed: list[str] = []
        planes: set[str] = set()
        for stream in known_streams():
            if stream.name in known:
                wrong = [r for r in check_known_answers(mutant.make, streams=[stream]) if not r.passed]
                failed += [f"known:{stream.name}"] if wrong else []
                planes |= {r.plane.value for r in wrong}
        if cases:
            failures, more = self.failures(mutant.make, cases, mutant.option)
            failed += failures
            planes |= more
        return Judged(mutant, tuple(failed), frozenset(planes))

    def failures(
        self, receiver: ReceiverFactory, cases: Sequence[Case], option: str
    ) -> tuple[list[str], set[str]]:
        """Names of the cases that fail a receiver, and the planes that the findings name."""
        conditions = LinkConditions(option=option, seed=SEED)
        with self._sent_once():
            done = run_campaign(conditions, list(cases), receiver=receiver)  # type: ignore[arg-type]
        wrong = [result for result in done.results if not result.passed]
        wanted = {case.name for case in cases} | {"baseline"}
        names = [result.case.name for result in wrong if result.case.name in wanted]
        planes = {name.split(".")[0] for name in names}
        for result in wrong:
            planes |= {plane_of(finding.counter) for finding in result.findings if finding.counter}
        return names, planes


def plane_of(counter: str) -> str:
    from decoders.counters import COUNTERS_OF_PLANE

    return next(
        (p.value for p, names in COUNTERS_OF_PLANE.items() if counter.split(" ", maxsplit=1)[0] in names), ""
    )
