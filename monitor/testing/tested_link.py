"""Links for tests: run, break, look at counters, and say what must have moved.

A test drives an emulated link hyperframe by hyperframe:

    link = EmulatedLink(option="2", seed=1)
    link.run(20)
    link.inject("hdlc.fcs")
    link.run(60)
    link.expect(hdlc_fcs_errors=1, within=60, others=0)

`BoardLink` is the same on a board behind a serial line. `DecodedCapture` looks into a capture.
`measure_bit_errors` runs a link over a noisy cable and says how many bits arrived wrong. What is not as expected is
an AssertionError with a line for each counter.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..errors import InputError
from .expectations import Expected, check_expectation, check_names, expectation_of

if TYPE_CHECKING:
    from decoders.events import Event

    from ..campaign.receivers import Receiver, ReceiverFactory
    from ..campaign.transmission import PlacedFault
    from ..faults.verdict import Verdict
    from ..sources.source import Injection

__all__ = ["BoardLink", "EmulatedLink", "TestedLink"]


class TestedLink(ABC):
    """A link with a receiver at its end: run it, put faults in, and say what must have moved."""

    __test__ = False

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._ahead: list[str] = []
        self.verdict: Verdict | None = None
        self._judged = False
        self._first_fault: int | None = None
        self._start: dict[str, int] = {}
        self._start_event = 0

    # ---- what a link is

    @abstractmethod
    def _advance(self, hyperframes: int) -> list[Event]:
        """So many hyperframes pass and are decoded; the events they gave."""

    @abstractmethod
    def _inject(self, fault: str) -> Injection:
        """Inject a fault."""

    @property
    @abstractmethod
    def hyperframe(self) -> int:
        """Number of the next hyperframe."""

    @property
    @abstractmethod
    def counters(self) -> dict[str, int]:
        """Every counter as it stands."""

    @property
    @abstractmethod
    def in_sync(self) -> bool: ...

    @abstractmethod
    def _number(self, event: Event) -> int | None:
        """The hyperframe of an event, as `hyperframe` counts."""

    # ---- what a test says

    def run(self, hyperframes: int = 1) -> list[Event]:
        """So many hyperframes pass and are decoded; the events they gave."""
        if hyperframes < 1:
            raise InputError(f"a link runs 1 hyperframe or more, not {hyperframes}")
        events = self._advance(hyperframes)
        self.events += events
        return events

    def inject(self, fault: str) -> int:
        """Put a fault in at the next hyperframe, or at the one its text names; returns the hyperframe.

        What `expect` looks at begins with the first one since the start, the last `mark`, or the last `expect`
        that held. InputError where the fault cannot be.
        """
        injection = self._inject(fault)
        self._note(injection.text, injection.hyperframe)
        return injection.hyperframe

    def _note(self, fault: str, at: int) -> None:
        """A fault was put in at hyperframe `at`: what `expect` looks at may begin here."""
        if self._judged or not self._ahead:
            self.mark()
        self._first_fault = at if self._first_fault is None else min(at, self._first_fault)
        self._ahead.append(fault)

    def mark(self) -> None:
        """Count from here: `moved` is empty and the faults so far are forgotten."""
        self._ahead.clear()
        self._judged = False
        self._first_fault = None
        self._start = self.counters
        self._start_event = len(self.events)

    @property
    def moved(self) -> dict[str, int]:
        """Counters that moved since the first fault, or since `mark`."""
        now = self.counters
        return {name: now[name] - value for name, value in self._start.items() if now[name] != value}

    def expect(self, *, within: int | None = None, others: int | None = 0, **counters: Expected) -> None:
        """LinkExpectationError unless the counters moved so since the fault, and no other did.

        `within` hyperframes from the fault's own each of them must have begun to move; the link runs on so far
        if it has not yet. `others` None lets other counters move. Good frames may come and go. `verdict` is what
        the judge says, as in a campaign. InputError where a counter does not exist.
        """
        __tracebackhide__ = True
        check_names(counters)
        if within is not None and self._first_fault is not None:
            missing = self._first_fault + within + 1 - self.hyperframe
            if missing > 0:
                self.run(missing)
        from ..faults.verdict import Observation, Timed

        moved = {name: now - self._start[name] for name, now in self.counters.items()}
        said = [Timed(self._number(event), event) for event in self.events[self._start_event :]]
        expectation = expectation_of(counters, moved, others, within)
        head = ", ".join(self._ahead) or "no fault"
        self.verdict = check_expectation(head, expectation, Observation(moved, said), self._first_fault or 0)
        self._judged = True


class EmulatedLink(TestedLink):
    """An emulated link and a decoder at its end; nothing is sent but by `run`.

    `pair` takes two boards in place of one with its own loopback. `receiver` makes another decoder under test.
    InputError for settings that cannot be.
    """

    def __init__(
        self,
        *,
        option: str = "2",
        seed: int = 1,
        pair: bool = False,
        pointer_p: int = 40,
        hdlc_rate_code: int | None = None,
        receiver: ReceiverFactory | None = None,
    ) -> None:
        from decoders.errors import DecodersError
        from decoders.line_coding.characters import LineForm
        from decoders.link.settings import LinkSettings

        from ..campaign.conditions import LinkConditions
        from ..campaign.receivers import OWN_DECODER
        from ..campaign.transmission import TappedSource

        super().__init__()
        self.conditions = LinkConditions(
            source="emulated:pair" if pair else "emulated",
            option=option,
            pointer_p=pointer_p,
            hdlc_rate_code=hdlc_rate_code,
            seed=seed,
            first_bfn=0,
            first_hfn=0,
        )
        try:
            self._source = TappedSource(self.conditions, keep=False)
        except DecodersError as error:
            raise InputError(str(error)) from None
        self._chunks = self._source.chunks()
        self.decoder: Receiver = (receiver or OWN_DECODER)(LinkSettings(option, LineForm.BITS))
        self._start = self.counters

    def _advance(self, hyperframes: int) -> list[Event]:
        self._source.set_chunk(hyperframes)
        return list(self.decoder.receive(bytes(next(self._chunks).data)))

    def _inject(self, fault: str) -> Injection:
        injection = self._source.inject(fault)
        if injection.hyperframe < self.hyperframe:
            raise InputError(f"fault {injection.text}: hyperframe {self.hyperframe} is the next to be sent")
        return injection

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe to be sent."""
        return self._source.next_hyperframe

    @property
    def counters(self) -> dict[str, int]:
        return dict(self.decoder.counters)

    @property
    def placed(self) -> Sequence[PlacedFault]:
        """Faults that have been put into the stream."""
        return self._source.placed

    @property
    def in_sync(self) -> bool:
        return self.decoder.state == "HFNSYNC"

    def _number(self, event: Event) -> int | None:
        return event.hyperframe


class BoardLink(TestedLink):
    """A running board and a decoder on the line data that it sends.

    It begins when the link has been clean for a while; vendor specific and Ctrl_AxC octets that the board changes by
    itself are left out of the counters and events. `inject` reads on until the fault is next. Putting faults in
    makes the board transmit damaged data. InputError where the board does not answer or is not in sync.
    """

    def __init__(self, source: str, *, option: str | None = None, baud: int | None = None) -> None:
        from ..campaign.live_bench import LiveBench
        from ..opening import open_board

        self.board = open_board(source, option=option, baud=baud)
        super().__init__()
        try:
            bench = LiveBench(self.board, source)
            self.baseline = bench.baseline()
            self._trial = bench.clean_trial()
        except BaseException:
            self.board.close()
            raise
        self.conditions = bench.conditions
        self._start = self.counters

    def _advance(self, hyperframes: int) -> list[Event]:
        trial, until = self._trial, self.hyperframe + hyperframes
        while trial.feed(until):
            pass
        events = [seen.event for seen in trial.timed]
        trial.mark()  # or it would keep all that ever came
        return events

    def _inject(self, fault: str) -> Injection:
        injection = self.board.inject(fault)
        if injection.hyperframe > self.hyperframe:
            self.run(injection.hyperframe - self.hyperframe)
        return injection

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe to be read."""
        return self._trial.hyperframe

    @property
    def counters(self) -> dict[str, int]:
        return self._trial.counters

    @property
    def in_sync(self) -> bool:
        return self._trial.receiver.state.value == "HFNSYNC"

    def _number(self, event: Event) -> int | None:
        return None if event.hyperframe is None else event.hyperframe + self._trial.origin

    def close(self) -> None:
        """Leave the board alone again."""
        self.board.close()
