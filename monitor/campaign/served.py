"""Which planes a receiver under test serves, and what of the findings concerns it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders.counters import plane_of_counter
from decoders.events import Plane

from ..faults.verdict import Finding, Verdict

__all__ = ["Served", "only_served"]


@dataclass(frozen=True, slots=True)
class Served:
    """As `Receiver.serves` and `Receiver.delivers`."""

    serves: frozenset[Plane] = frozenset(Plane)
    delivers: frozenset[Plane] = frozenset(Plane)

    @property
    def judged(self) -> frozenset[Plane]:
        """Planes of which anything can be judged; IQ data have no counter."""
        return self.serves - (frozenset((Plane.IQ,)) - self.delivers)


def only_served(findings: Iterable[Finding], served: Served) -> list[Finding]:
    """Findings of planes that are served; each counter is named once."""
    out: list[Finding] = []
    named: set[str] = set()
    for finding in findings:
        if finding.counter is None and finding.plane is not None and finding.plane not in served.delivers:
            continue
        if finding.counter is not None:
            counters = finding.counter.split(" + ")
            if not any(plane_of_counter(name) in served.serves for name in counters):
                continue
            if finding.verdict is Verdict.UNTRUE and named.issuperset(counters):
                continue
            named.update(counters)
        out.append(finding)
    return out
