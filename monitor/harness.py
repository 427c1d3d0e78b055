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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import InputError
from .wording import counted

if TYPE_CHECKING:
    from decoders.events import Event

    from .faults.campaign import Receiver, ReceiverFactory
    from .faults.transmission import PlacedFault

__all__ = [
    "BitErrorMeasurement",
    "BoardLink",
    "Change",
    "DecodedCapture",
    "EmulatedLink",
    "Expected",
    "LinkExpectationError",
    "TestedLink",
    "measure_bit_errors",
]

Expected = int | tuple[int, int]
"""By how much a counter must move: exactly so, or (least, most)."""
Change = Mapping[str, int]
_GOOD_FRAMES = ("hdlc_frames", "ethernet_frames")


class LinkExpectationError(AssertionError):
    """Counters did not move as expected; the message has a line for each."""


class TestedLink(ABC):
    """A link with a receiver at its end: run it, put faults in, and say what must have moved."""

    __test__ = False

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._ahead: list[str] = []
        self._judged = False
        self._first_fault: int | None = None
        self._start: dict[str, int] = {}
        self._start_event = 0

    # ---- what a link is

    @abstractmethod
    def _advance(self, hyperframes: int) -> list[Event]:
        """So many hyperframes pass and are decoded; the events they gave."""

    @abstractmethod
    def _inject(self, fault: str) -> tuple[int, str]:
        """Put a fault in; its hyperframe and full text."""

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
        at, text = self._inject(fault)
        if self._judged or not self._ahead:
            self.mark()
        self._first_fault = at if self._first_fault is None else min(at, self._first_fault)
        self._ahead.append(text)
        return at

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
        if it has not yet. `others` None lets other counters move. Good frames may come and go. InputError
        where a counter does not exist.
        """
        __tracebackhide__ = True
        _check_names(counters)
        if within is not None and self._first_fault is not None:
            missing = self._first_fault + within + 1 - self.hyperframe
            if missing > 0:
                self.run(missing)
        lines = _differences(self.moved, counters, others)
        if within is not None and self._first_fault is not None and not lines:
            lines = self._late(within, counters)
        if lines:
            head = ", ".join(self._ahead) or "no fault"
            raise LinkExpectationError(f"{head}:\n" + "\n".join(f"  {line}" for line in lines))
        self._judged = True

    def _late(self, within: int, counters: Mapping[str, Expected]) -> list[str]:
        from .faults.verdict import moved_by

        assert self._first_fault is not None
        lines = []
        for name, expected in counters.items():
            if not (expected if isinstance(expected, int) else expected[0]):
                continue
            told = (self._number(e) for e in self.events[self._start_event :] if name in moved_by(e))
            first = min((at for at in told if at is not None), default=None)
            if first is not None and first - self._first_fault > within:
                after = first - self._first_fault
                passed = counted(after, "hyperframe")
                lines.append(f"{name}: first moved after {passed}, expected within {within}")
        return lines


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
        from decoders.characters import LineForm
        from decoders.errors import DecodersError
        from decoders.link import LinkDecoder, LinkSettings

        from .faults.transmission import LinkConditions, TappedSource

        super().__init__()
        self.conditions = LinkConditions(
            source="emulated:pair" if pair else "emulated",
            option=option,
            pointer_p=pointer_p,
            hdlc_rate_code=hdlc_rate_code,
            seed=seed,
        )
        try:
            self._source = TappedSource(self.conditions, keep=False)
        except DecodersError as error:
            raise InputError(str(error)) from None
        self._chunks = self._source.chunks()
        self.decoder: Receiver = (receiver or LinkDecoder)(LinkSettings(option, LineForm.BITS))
        self._start = self.counters

    def _advance(self, hyperframes: int) -> list[Event]:
        self._source.set_chunk(hyperframes)
        return list(self.decoder.receive(bytes(next(self._chunks).data)))

    def _inject(self, fault: str) -> tuple[int, str]:
        at, text, _ = self._source.inject(fault)
        if at < self.hyperframe:
            raise InputError(f"fault {text}: hyperframe {self.hyperframe} is the next to be sent")
        return at, text

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
        return self.decoder.state.value == "HFNSYNC"

    def _number(self, event: Event) -> int | None:
        return event.hyperframe


class BoardLink(TestedLink):
    """A running board and a decoder on the line data that it sends.

    It begins when the link has been clean for a while; vendor specific and Ctrl_AxC octets that the board changes by
    itself are left out of the counters and events. `inject` reads on until the fault is next. Putting faults in
    makes the board transmit damaged data. InputError where the board does not answer or is not in sync.
    """

    def __init__(self, source: str, *, option: str | None = None, baud: int | None = None) -> None:
        from .faults.live_bench import LiveBench
        from .opening import open_board

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

    def _inject(self, fault: str) -> tuple[int, str]:
        at, text, _ = self.board.inject(fault)
        if at > self.hyperframe:
            self.run(at - self.hyperframe)
        return at, text

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


class DecodedCapture:
    """A capture file, decoded from end to end: `counters`, `events`, and the decoder.

    `form` and `option` are found from the data where they are left out; InputError where the file cannot be read.
    """

    def __init__(self, path: str | Path, *, form: str | None = None, option: str | None = None) -> None:
        from decoders.characters import LineForm
        from decoders.link import LinkDecoder, LinkSettings

        from .sources import received
        from .sources.file import open_file_source

        source = open_file_source(str(path), form, option)
        self.path = Path(path)
        self.decoder = LinkDecoder(LinkSettings(source.option, LineForm(source.form)))
        self.events: list[Event] = []
        for chunk in source.chunks():
            self.events += received(self.decoder, chunk)
        self.events += self.decoder.finish()
        source.close()
        self.warnings = tuple(source.warnings)

    @property
    def counters(self) -> dict[str, int]:
        return dict(self.decoder.counters)

    def expect(self, *, others: int | None = 0, **counters: Expected) -> None:
        """LinkExpectationError unless the counters stand so, and every other error counter at 0."""
        __tracebackhide__ = True
        _check_names(counters)
        standing = {name: value for name, value in self.decoder.counters.items() if value}
        lines = _differences(standing, counters, others)
        if lines:
            raise LinkExpectationError(f"{self.path.name}:\n" + "\n".join(f"  {line}" for line in lines))


def _check_names(counters: Mapping[str, Expected]) -> None:
    from decoders.events import COUNTERS

    for name in counters:
        if name not in COUNTERS:
            import difflib

            near = difflib.get_close_matches(name, COUNTERS, 1)
            raise InputError(
                f"counter {name!r} does not exist", hint=f"did you mean {near[0]}?" if near else None
            )


def _differences(moved: Change, counters: Mapping[str, Expected], others: int | None) -> list[str]:
    """A line for each counter that did not move as expected."""
    lines = []
    for name, expected in counters.items():
        least, most = (expected, expected) if isinstance(expected, int) else expected
        seen = moved.get(name, 0)
        if not least <= seen <= most:
            wish = f"{least:+d}" if least == most else f"{least:+d} to {most:+d}"
            lines.append(f"{name}: expected {wish}, seen {seen:+d}")
    if others is None:
        return lines
    for name, change in moved.items():
        if name not in counters and name not in _GOOD_FRAMES and change != others:
            lines.append(f"side effect: {name} {change:+d}, expected {others:+d}")
    return lines


@dataclass(frozen=True, slots=True)
class BitErrorMeasurement:
    """A link over a noisy cable.

    `put_in` bits were turned over, by the cable's own count; `counted` line bits arrived otherwise than they were
    sent; `code_events` is what the line code showed of them. `expected_range` is where `counted` lies with the
    probability `confidence`, `upper_bound` the ratio it allows to claim.
    """

    bits: int
    ratio: float
    put_in: int
    counted: int
    code_events: int
    confidence: float
    expected_range: tuple[int, int]
    upper_bound: float

    @property
    def plausible(self) -> bool:
        """Whether the count is one that the ratio explains."""
        low, high = self.expected_range
        return low <= self.counted <= high


def measure_bit_errors(
    ratio: float, hyperframes: int = 400, *, option: str = "2", seed: int = 1, confidence: float = 0.999
) -> BitErrorMeasurement:
    """Send `hyperframes` over a cable that turns bits over at `ratio`, and hold what arrives to what was sent.

    InputError for a ratio that would lose the signal: more than 16 characters in error a hyperframe.
    """
    import numpy as np

    from decoders.bit_errors import count_range, upper_bound
    from decoders.characters import LineForm
    from decoders.linerates import option_named
    from decoders.link import LinkDecoder, LinkSettings, SenderSettings

    from .emulation.cable import Cable
    from .emulation.sender import EmulatedSender, LineWriter
    from .sources.emulated import DEFAULT_RATE_CODES

    line = option_named(option)
    most = 4 / line.hyperframe_line_bits
    if not 0.0 < ratio <= most:
        raise InputError(f"bit error ratio {ratio:g}: above 0 and up to {most:.2g} at option {option}")
    code = DEFAULT_RATE_CODES.get(option, 6)
    sender = EmulatedSender(SenderSettings(option=option, hdlc_rate_code=code), seed)
    writer, cable = LineWriter(LineForm.BITS, line), Cable(0, ratio, seed)
    decoder = LinkDecoder(LinkSettings(option, LineForm.BITS))
    counted = 0
    for start in range(0, hyperframes, 50):
        sent = writer.write(sender.batch(min(50, hyperframes - start)))
        arrived = cable.carry(sent)
        differ = np.frombuffer(sent, np.uint8) ^ np.frombuffer(arrived, np.uint8)
        counted += int(np.bitwise_count(differ).sum())
        decoder.receive(arrived)
    decoder.finish()
    counters = decoder.counters
    return BitErrorMeasurement(
        cable.bits,
        ratio,
        cable.errors,
        counted,
        counters["code_violations"] + counters["disparity_errors"],
        confidence,
        count_range(cable.bits, ratio, confidence),
        upper_bound(cable.bits, counted, 0.95),
    )
