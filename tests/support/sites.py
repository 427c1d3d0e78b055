"""Sites whose links are not started: what each one has reported is put in by the test."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import Snapshot
from monitor.opening import SourceRequest
from monitor.site.link_worker import LinkReport
from monitor.site.plan import SitePlan, parse_site_plan
from monitor.site.site import Findings, Site
from monitor.sources.source import BoardReport, Standstill
from tests.support.screen_fakes import FakeSource

__all__ = ["chain_plan", "healthy", "report", "tree_plan", "waiting_site"]


def chain_plan(segments: int, *, both: bool = True) -> SitePlan:
    """REC-A and as many RE in a row; every board has a source for its upstream neighbour, and the other way round."""
    names = ["REC-A", *(f"RE-{number}" for number in range(1, segments + 1))]
    text = 'name = "Saltmarsh"\noption = "2"\n'
    for number, name in enumerate(names):
        text += f'[[boards]]\nname = "{name}"\nsource = "socket://127.0.0.1:{4700 + number}"\n'
        if both and 0 < number < segments:
            text += f'[boards.sources]\n"{names[number + 1]}" = "socket://127.0.0.1:{4800 + number}"\n'
    for number in range(segments):
        ends = f'from = "{names[number]}"\nto = "{names[number + 1]}"'
        text += f"[[segments]]\n{ends}\nlength_m = {120 + 700 * number}\n"
    return parse_site_plan(text)


def tree_plan() -> SitePlan:
    """REC-A, behind it RE-1 with RE-2 and RE-3 on ports of its own; RE-3 has no source."""
    return parse_site_plan(
        """
        name = "Saltmarsh"
        [[boards]]
        name = "REC-A"
        source = "socket://127.0.0.1:4700"
        [[boards]]
        name = "RE-1"
        source = "socket://127.0.0.1:4701"
        [boards.sources]
        RE-3 = "socket://127.0.0.1:4703"
        [[boards]]
        name = "RE-2"
        source = "socket://127.0.0.1:4702"
        [[boards]]
        name = "RE-3"
        [[segments]]
        from = "REC-A"
        to = "RE-1"
        [[segments]]
        from = "RE-1"
        to = "RE-2"
        [[segments]]
        from = "RE-1"
        to = "RE-3"
        """
    )


def waiting_site(plan: SitePlan, findings: Findings | None = None) -> Site:
    """Not started: nothing is known of any link."""
    return Site(plan, SourceRequest(source=""), findings=findings)


_healthy: list[Snapshot] = []


def healthy() -> Snapshot:
    """Of a link in sync without an error."""
    if not _healthy:
        pipeline = Pipeline(FakeSource())
        for _ in range(6):
            pipeline.step()
        snapshot = pipeline.snapshot()
        _healthy.append(replace(snapshot, counters=dict.fromkeys(snapshot.counters, 0)))
    return _healthy[0]


def report(
    errors: Mapping[str, int] | None = None,
    *,
    silent_s: float | None = None,
    broken: bool = False,
    why: str = "",
    waiting: bool = False,
    delay_ns: float | None = None,
    name: str | None = None,
    **changes: object,
) -> LinkReport:
    """A report of a link in sync, with these counters and other fields of its snapshot."""
    before = healthy()
    standstill = None if silent_s is None else Standstill(silent_s, broken)
    snapshot = replace(
        before, counters={**before.counters, **(errors or {})}, standstill=standstill, source="board"
    )
    if delay_ns is not None or name is not None:
        snapshot = replace(snapshot, board=BoardReport(name=name, delay_ns=delay_ns))
    return LinkReport(replace(snapshot, **changes), why=why, waiting=waiting)  # type: ignore[arg-type]
