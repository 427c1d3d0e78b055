"""Does the receiver detect what is injected: counters by plane, faults to inject, and verdicts in words.

Which counters are expected to change is said by the source that injects; the judge compares them with those observed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Container

from decoders.errors import DecodersError

from ..errors import MonitorError
from .counter_table import CounterTable
from .fault_list import FaultChoice, FaultList
from .feed import Feed, WatchedLink
from .palette import Look
from .permission import ask_first
from .repeater import Repeater
from .verdict_lines import VerdictLines
from .view import View
from .view_keys import INJECT_HINTS, Hints

__all__ = ["InjectView"]

_DAMAGES = "this makes it transmit damaged data"
_NOT_JUDGED = "the last fault is not judged yet; try again in a moment"
_REFUSALS = (DecodersError, MonitorError, TypeError, ValueError)


class InjectView(View):
    """Counters beside faults, verdicts below."""

    NAME = "Inject"
    QUESTION = "is each injected fault detected?"
    REFRESHES: ClassVar[float] = 5.0

    def __init__(self, look: Look, feed: Feed, pipeline: WatchedLink, faults: Sequence[FaultChoice]) -> None:
        super().__init__(look, feed)
        self.pipeline = pipeline
        self.repeater = Repeater(pipeline.inject)
        self.counters = CounterTable(look)
        self.faults = FaultList(look, faults)
        self.verdicts = VerdictLines(look, id="verdicts")
        self.problem = ""

    def compose(self) -> ComposeResult:
        with Container(id="upper"):
            yield self.counters
            yield self.faults
        yield self.verdicts

    @property
    def owner(self) -> FaultList:
        return self.faults

    @property
    def hints(self) -> Hints:
        return INJECT_HINTS

    def draw(self, *, fresh: bool) -> None:
        self.counters.update(self.feed)
        self.faults.update(self.pipeline.can_inject)
        self._draw_verdicts()

    def _draw_verdicts(self) -> None:
        self.verdicts.update(self.feed, self.faults.fault, self.problem, self.repeater)

    def read_events(self) -> None:
        """Inject the repeated fault where it is due; forget what no longer hinders."""
        if self.problem == _NOT_JUDGED and not self.feed.waiting:
            self.problem = ""
        try:
            self.repeater.tick(self.feed)
        except _REFUSALS as problem:
            self.repeater.stop()
            self.problem = str(problem)

    def on_fault_list_moved(self, message: FaultList.Moved) -> None:
        self._draw_verdicts()

    def on_fault_list_scroll_counters(self, message: FaultList.ScrollCounters) -> None:
        self.counters.scroll_by(message.lines)

    def on_fault_list_chosen(self, message: FaultList.Chosen) -> None:
        self.inject(message.text)

    def inject(self, text: str) -> None:
        """Inject a fault, or say why that cannot be; a board is asked for first."""
        self.problem = self._hindrance
        if self.repeater.active:
            self.problem = "a fault is being repeated; x stops that"
        if not self.problem:
            if ask_first(self.app, self.look, self.pipeline.source, _DAMAGES, lambda: self.inject(text)):
                return
            try:
                self.pipeline.inject(text)
                self.feed.read()
            except _REFUSALS as problem:
                self.problem = str(problem)
        self.post_message(self.Acted())

    def on_fault_list_repeat(self, message: FaultList.Repeat) -> None:
        if self.repeater.active:
            self.repeater.stop()
        else:
            self._start_repeating()
        self.post_message(self.Acted())

    def _start_repeating(self) -> None:
        self.problem = self._hindrance
        if not self.problem:
            source = self.pipeline.source
            if not ask_first(self.app, self.look, source, _DAMAGES, self._start_repeating):
                self.repeater.start(self.faults.fault.text, self.feed)
                self.read_events()

    def on_fault_list_interval(self, message: FaultList.Interval) -> None:
        self.repeater.change(message.by)
        self.post_message(self.Note(f"repeats every {self.repeater.every} hyperframes"))
        self.post_message(self.Acted())

    @property
    def _hindrance(self) -> str:
        """Why nothing can be injected now; empty where it can."""
        if not self.pipeline.can_inject:
            return "this source cannot inject faults"
        if self.feed.snapshot.ended:
            return "the source has ended: nothing more can be injected"
        if self.feed.waiting:
            return _NOT_JUDGED
        return ""
