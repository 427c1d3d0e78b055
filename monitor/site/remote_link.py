"""A link whose decoder runs elsewhere, as a screen or a report sees it: snapshots, events, faults, resets.

A thread asks the decoder for a report as often as the screen is drawn, and keeps the last one. A decoder that ends is
said; that of a line or of an emulated link is started again, and goes on counting where the last report stood. That
of a capture is not: it would count everything twice.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NoAnswer
from dataclasses import replace
from itertools import count, islice
from typing import Any

from decoders.counters import COUNTERS
from decoders.frame_structure.controlwords import subchannel_owners

from ..delay.samples import DelaySample, ResettableBoard
from ..emulation.transceiver import BoardSettings
from ..errors import InputError
from ..links.since_mark import SinceMark
from ..links.snapshot import InjectedFault, LogEntry, Snapshot
from ..opening import DEFAULT_OPTION, SourceRequest
from ..sources.names import SourceKind, source_kind
from .link_worker import Ask, Call, LinkReport, LinkSpec, Reply
from .worker_start import Worker, WorkerKind, WorkerStart, start_workers

__all__ = ["RemoteLink", "RemoteSource"]

HISTORY = 5000
"""Events kept of each link."""
STUCK_S = 3.0
"""A decoder that has not answered for so long is said."""
_RESTART_S = (1.0, 30.0)
_CALL_S = {"inject": 3.0, "reset": 3.0, "measure": 15.0}


class RemoteSource:
    """What a screen may know of the source of a remote link; commands need `allow` where it is `guarded`."""

    def __init__(self, link: RemoteLink, request: SourceRequest) -> None:
        self._link = link
        self._request = request
        self._allow = request.yes

    @property
    def description(self) -> str:
        return self._link.snapshot().source

    @property
    def option(self) -> str:
        return self._link.snapshot().option

    @property
    def allow(self) -> bool:
        """Whether commands go out that make the board transmit or reset."""
        return self._allow or not self._link.report.guarded

    @allow.setter
    def allow(self, value: bool) -> None:
        self._allow = value

    @property
    def emulated(self) -> BoardSettings | None:
        """The board that can be reset beside an emulated link."""
        return self._link.report.emulated

    @property
    def resettable(self) -> bool:
        """Whether there is a board behind it whose transceiver can be reset."""
        return self._link.report.resettable

    def board(self) -> ResettableBoard:
        """The board, to be reset and measured."""
        return _RemoteBoard(self._link, self.description, self.option)


class _RemoteBoard:
    """A ResettableBoard behind a remote link."""

    names = ("board",)

    def __init__(self, link: RemoteLink, description: str, option: str) -> None:
        self._link = link
        self.description, self.option = description, option

    def reset(self) -> None:
        self._link.call("reset")

    def measure(self) -> DelaySample:
        sample: DelaySample = self._link.call("measure")
        return sample


class RemoteLink:
    """`interval_s` lies between two reports. `whole`, or until `whole_until`: reports hold all that views of it show.

    The decoder of a link of a `group` is not started again: it would go on elsewhere than the others.
    """

    def __init__(
        self,
        name: str,
        request: SourceRequest,
        *,
        interval_s: float = 0.1,
        kind: WorkerKind = WorkerKind.PROCESS,
        group: WorkerStart | None = None,
    ) -> None:
        self.name = name
        self.request = request
        self.interval_s = interval_s
        self.whole = False
        self.whole_until = 0.0
        self.restarts = 0
        self.deaths = 0
        self.since_mark = SinceMark()
        self.report = LinkReport()
        self.source = RemoteSource(self, request)
        self.worker: Worker | None = None
        self.trouble = ""
        """Why the decoder itself is not there; empty while it is."""
        self._kind, self._group = kind, group
        self._snapshot = blank_snapshot(request)
        self._known = False
        self._log: deque[LogEntry] = deque(maxlen=HISTORY)
        self._next = 0
        self._asked_at: float | None = None
        self._failing_since: float | None = None
        self._lock = threading.Lock()
        self._sending = threading.Lock()
        self._numbers = count()
        self._calls: dict[int, Future[Any]] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"watch {name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def ask_to_end(self) -> None:
        """So that many links end at once, and not one after the other."""
        self._stop.set()
        if self.worker is not None:
            self.worker.ask_to_end()

    def close(self) -> None:
        """End the decoder and the thread that asks it."""
        self._stop.set()
        worker = self.worker
        if worker is not None:
            worker.close()
        if self._thread.ident is not None:
            self._thread.join(2.0)
        self._fail_calls("the site is closed")

    # ---- what is known ----

    @property
    def failure(self) -> Exception | None:
        """Why nothing is read now."""
        why = self.trouble or self.report.why
        return InputError(why) if why else None

    @property
    def stuck_s(self) -> float | None:
        """For how long the decoder has not answered, where that is long."""
        asked = self._asked_at
        waited = 0.0 if asked is None else time.monotonic() - asked
        return waited if waited > STUCK_S else None

    @property
    def failing_s(self) -> float:
        """For how long there has been a failure; 0 where there is none."""
        since = self._failing_since
        return 0.0 if since is None else time.monotonic() - since

    @property
    def restarting(self) -> bool:
        """Whether a decoder that has ended is started again."""
        return bool(self.trouble) and self._again

    @property
    def _again(self) -> bool:
        return source_kind(self.request.source) is not SourceKind.CAPTURE and self._group is None

    @property
    def opened(self) -> bool:
        """Whether the source was ever open."""
        return self._known

    @property
    def can_inject(self) -> bool:
        return self.report.can_inject

    def snapshot(self) -> Snapshot:
        return self._snapshot

    def entries_since(self, number: int) -> list[LogEntry]:
        """Log entries from `number` on, as far as they are still held."""
        with self._lock:
            if not self._log or number > self._log[-1].number:
                return []
            at = len(self._log)
            while at and self._log[at - 1].number >= number:
                at -= 1
            return list(islice(self._log, at, None))

    # ---- what is done ----

    def inject(self, text: str) -> InjectedFault:
        """Ask the source for a fault; InputError where it cannot be."""
        fault: InjectedFault = self.call("inject", text)
        return fault

    def call(self, what: str, argument: str = "") -> Any:
        """Have the decoder's process do something; InputError where it refuses, ends or does not answer."""
        worker, patience = self.worker, _CALL_S[what]
        if worker is None or self.trouble:
            raise InputError(f"{self.name}: {self.trouble or 'its decoder has not started yet'}")
        number, answer = next(self._numbers), Future[Any]()
        self._calls[number] = answer
        try:
            self._send(worker, Call(number, what, argument, self.source.allow))
            return answer.result(patience)
        except NoAnswer:
            raise InputError(f"{self.name}: no answer to {what} in {patience:g} s") from None
        except (OSError, ValueError):
            raise InputError(f"{self.name}: its decoder has ended") from None
        finally:
            self._calls.pop(number, None)

    # ---- the thread ----

    def _send(self, worker: Worker, message: Ask | Call) -> None:
        with self._sending:
            worker.connection.send(message)

    def _run(self) -> None:
        wait, kept = _RESTART_S[0], None
        again = self._again
        while not self._stop.is_set():
            begun = time.monotonic()
            worker = self.worker = self._start(LinkSpec(self.name, self.request, kept))
            with contextlib.suppress(EOFError, OSError):
                self._talk(worker)
            self._asked_at = None
            if self._stop.is_set():
                return
            self._died(worker, again=again, wait_s=wait)
            if not again:
                return
            kept = self._snapshot if self._known else None
            self._stop.wait(wait)
            wait = _RESTART_S[0] if time.monotonic() - begun > 60 else min(2 * wait, _RESTART_S[1])

    def _start(self, spec: LinkSpec) -> Worker:
        return start_workers(self._kind, [spec])[0] if self._group is None else self._group.start(spec)

    def _died(self, worker: Worker, *, again: bool, wait_s: float) -> None:
        self.deaths += 1
        what = f"started again in {wait_s:g} s, counters are kept" if again else "it is not read on"
        self.trouble = f"its decoder {worker.how_it_ended()}; {what}"
        self._note_failure()
        self._fail_calls("its decoder has ended")
        worker.close()

    def _talk(self, worker: Worker) -> None:
        connection = worker.connection
        while not self._stop.is_set():
            self._asked_at = time.monotonic()
            due = self._asked_at + self.interval_s
            self._send(worker, Ask(self._next, self.whole or self._asked_at < self.whole_until))
            while not self._stop.is_set():
                answered = self._asked_at is None
                if connection.poll(max(due - time.monotonic(), 0.0) if answered else 0.2):
                    self._receive(connection.recv())
                elif answered:
                    break

    def _receive(self, message: LinkReport | Reply) -> None:
        if isinstance(message, Reply):
            if message.report is not None:
                self.take(message.report)
            answer = self._calls.pop(message.number, None)
            if answer is not None and message.refused:
                answer.set_exception(InputError(message.refused))
            elif answer is not None:
                answer.set_result(message.value)
            return
        self._asked_at = None
        self.take(message)

    def take(self, report: LinkReport) -> None:
        """Keep what the decoder has said."""
        self.report, self.trouble = report, ""
        self._note_failure()
        if report.snapshot is None:
            return
        with self._lock:
            if report.entries:
                self._log.extend(report.entries)
                self._next = report.entries[-1].number + 1
            # As many events as have come here: the others are on their way.
            self._snapshot, self._known = replace(report.snapshot, events=self._next), True

    def _note_failure(self) -> None:
        if not (self.trouble or self.report.why):
            self._failing_since = None
        elif self._failing_since is None:
            self._failing_since = time.monotonic()

    def _fail_calls(self, why: str) -> None:
        for answer in list(self._calls.values()):
            if not answer.done():
                answer.set_exception(InputError(f"{self.name}: {why}"))


def blank_snapshot(request: SourceRequest) -> Snapshot:
    """Of a link of which nothing is known yet."""
    return Snapshot(
        source=request.source,
        option=request.option or DEFAULT_OPTION,
        form=request.form or "octets",
        time_ns=0,
        sync_state="XACQ1",
        startup_state="A",
        los=False,
        remote_alarms=0,
        hyperframes=0,
        hyperframes_missed=0,
        hyperframes_not_received=0,
        bfn=0,
        hfn=0,
        version=0,
        hdlc_rate_code=0,
        pointer_p=0,
        alignment_slip_bits=None,
        counters=dict.fromkeys(COUNTERS, 0),
        last_change={},
        owners=subchannel_owners(0),
        control=None,
        change_counts=None,
        changed_at=None,
        iq_octets=None,
        events=0,
    )
