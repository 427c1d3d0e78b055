"""Several links watched at once: what each one is doing, errors since the mark by plane, what all of them tell.

Nothing here waits for a board: `SiteLink` shows what was last reported, and says so where that is no longer so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import StrEnum
from types import TracebackType
from typing import Self, TypeAlias

from decoders.events import Plane

from ..links.named_link import NamedLink
from ..links.snapshot import LogEntry, Snapshot
from ..opening import SourceRequest
from ..sources.names import Segment, is_chain
from ..sources.source import Standstill
from .link_worker import LinkSpec
from .plan import PlannedSegment, SitePlan, SitePoint
from .remote_link import RemoteLink
from .worker_start import WorkerGroup, WorkerKind, WorkerStart, prepare_workers

__all__ = ["Findings", "LinkState", "Site", "SiteLink"]


class LinkState(StrEnum):
    """What a link is doing, in the words of the screen."""

    OPENING = "opening"
    UP = "in sync"
    NO_SYNC = "no sync"
    SILENT = "no data"
    """The line is up and brings nothing."""
    DOWN = "line down"
    """The line is broken, or cannot be opened; it is tried again."""
    ENDED = "ended"
    FAILED = "failed"
    """Nothing more is read."""


class SiteLink:
    """One source of a site; `name` is that of its point, `SENDER>RECEIVER`, or the board's without a segment."""

    def __init__(self, point: SitePoint, link: RemoteLink, planned: PlannedSegment | None = None) -> None:
        self.point = point
        self.link = link
        self.planned = planned

    @property
    def name(self) -> str:
        return self.point.name

    @property
    def board(self) -> str:
        return self.point.board

    @property
    def segment(self) -> Segment | None:
        return self.point.segment

    @property
    def snapshot(self) -> Snapshot:
        """The last one that was reported; of a link never opened, one with all counters 0."""
        return self.link.snapshot()

    @property
    def known(self) -> bool:
        """Whether anything of the link is known yet: a hyperframe, or an error."""
        snapshot = self.snapshot
        return snapshot.control is not None or bool(snapshot.errors)

    @property
    def state(self) -> LinkState:
        link, snapshot = self.link, self.link.snapshot()
        if link.trouble or link.stuck_s is not None:
            return LinkState.FAILED
        if link.report.why:
            return LinkState.DOWN if link.report.waiting else LinkState.FAILED
        if not link.opened or link.report.snapshot is None:
            return LinkState.OPENING
        if snapshot.ended:
            return LinkState.ENDED
        if snapshot.standstill is not None:
            return LinkState.DOWN if snapshot.standstill.broken else LinkState.SILENT
        return LinkState.UP if snapshot.sync_state == "HFNSYNC" else LinkState.NO_SYNC

    @property
    def silent_s(self) -> float | None:
        """For how long nothing has come; None while line data come, and of a source that has ended."""
        state, still = self.state, self.snapshot.standstill
        if state in (LinkState.SILENT, LinkState.DOWN) and still is not None and not self.link.report.why:
            return still.seconds
        if state in (LinkState.DOWN, LinkState.FAILED):
            return self.link.stuck_s or self.link.failing_s
        return None

    @property
    def why(self) -> str:
        """Why nothing is read; empty where something is."""
        stuck = self.link.stuck_s
        if stuck is not None and not self.link.trouble:
            return f"its decoder has not answered for {stuck:.0f} s"
        return self.link.trouble or self.link.report.why

    @property
    def errors_since_mark(self) -> int:
        return self.link.since_mark.errors(self.snapshot)

    @property
    def errors_by_plane(self) -> dict[Plane, int]:
        """Errors of each plane since the mark; planes without any are left out."""
        return self.link.since_mark.errors_by_plane(self.snapshot)

    @property
    def delay_ns(self) -> float | None:
        """What the board counts of its delay, compensated for the alignment offset; None where it counts none."""
        board = self.snapshot.board
        return None if board is None else board.delay_ns

    @property
    def other_name(self) -> str:
        """What the board calls itself where the plan has another name for it: the wrong cable, perhaps; else empty.

        Text of the board, not inert. Without a segment the name is that of whoever watches, and says nothing.
        """
        board = self.snapshot.board
        name = "" if board is None or self.planned is None else board.name or ""
        return "" if name == self.board else name

    def named(self) -> NamedLink:
        """The link as collectors and lines of text know it; one that is tried again has not failed."""
        snapshot, why, state = self.snapshot, self.why, self.state
        segment = "" if self.segment is None else self.segment.name
        named = NamedLink(self.board, snapshot, segment, restarts=self.link.restarts)
        if state is LinkState.OPENING:
            return replace(named, waiting="not open yet")
        if state is LinkState.DOWN and why:
            return replace(
                named, snapshot=replace(snapshot, standstill=Standstill(self.silent_s or 0.0, True))
            )
        if state is LinkState.FAILED and (self.link.restarting or self.link.stuck_s is not None):
            return replace(named, waiting=why)
        return replace(named, failure=why)

    @property
    def cpu_s(self) -> float:
        """Processor time that the decoder has taken; of a thread, that of the whole program."""
        return self.link.report.cpu_s

    def entries_since(self, number: int) -> list[LogEntry]:
        """Events from `number` on, as far as they are still held."""
        return self.link.entries_since(number)


Findings: TypeAlias = Callable[[Sequence[SiteLink]], Sequence[str]]
"""What all links together tell, such as the segment on which a damage enters: lines for people, the gravest first."""


class Site:
    """Every source of a plan, each with a decoder of its own; a context manager that starts and ends them.

    `request` says what all sources have in common. `rate` is how often a second each link reports. `kind`: a process
    for each decoder, or a thread; where the system gives no process, it is a thread. `running` gives decoders
    that run already instead.
    """

    def __init__(
        self,
        plan: SitePlan,
        request: SourceRequest,
        *,
        rate: float = 10.0,
        kind: WorkerKind = WorkerKind.PROCESS,
        findings: Findings | None = None,
        running: WorkerStart | None = None,
    ) -> None:
        self.plan = plan
        self.request = request
        self._running = running
        self._kind, self._started = kind, False
        self._findings = findings
        requests = [_request_of(point, request) for point in plan.points]
        chained = [
            LinkSpec(point.name, each)
            for point, each in zip(plan.points, requests, strict=True)
            if _shares_chain(each)
        ]
        group = WorkerGroup(kind, chained) if chained else None
        self.links: tuple[SiteLink, ...] = tuple(
            SiteLink(
                point,
                RemoteLink(
                    point.name,
                    each,
                    interval_s=1 / rate,
                    kind=kind,
                    group=running or (group if _shares_chain(each) else None),
                ),
                None if point.segment is None else plan.segment(point.segment.sender, point.segment.receiver),
            )
            for point, each in zip(plan.points, requests, strict=True)
        )

    @property
    def name(self) -> str:
        return self.plan.name

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def start(self) -> None:
        """Start every decoder; once only."""
        if self._started:
            return
        self._started = True
        if self._running is None:
            prepare_workers(self._kind)
        for each in self.links:
            each.link.start()

    def close(self) -> None:
        """End every decoder; none is left behind."""
        for each in self.links:
            each.link.ask_to_end()
        for each in self.links:
            each.link.close()

    def named(self, name: str) -> SiteLink | None:
        """The link of a point; None where the site has none of this name."""
        return next((each for each in self.links if each.name == name), None)

    def mark(self) -> None:
        """Count errors from here, on every link."""
        for each in self.links:
            each.link.since_mark.mark(each.snapshot)

    @property
    def errors_since_mark(self) -> int:
        return sum(each.errors_since_mark for each in self.links)

    @property
    def findings(self) -> tuple[str, ...]:
        """What all links together tell; nothing where nobody looks at them together."""
        told = {text: None for link in self.links for text in link.link.report.findings}
        more = () if self._findings is None else tuple(self._findings(self.links))
        return (*told, *more)


def _shares_chain(request: SourceRequest) -> bool:
    """Whether a source is a point of an emulated chain that is still to be made."""
    return is_chain(request.source) and not request.opened


def _request_of(point: SitePoint, request: SourceRequest) -> SourceRequest:
    """How one source is read: what the plan says of it goes before what is said of all."""
    return replace(
        request,
        source=point.source,
        form=point.form or request.form,
        option=point.option or request.option,
        baud=point.baud or request.baud,
    )
