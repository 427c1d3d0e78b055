"""Commands to a board that speaks the record protocol, its answers, its status, and what it says beside line data.

Records are read in the line's own thread, so an answer is found even while no line data are taken. Commands that
make a board transmit or reset are sent only where that was allowed. What a board sends unasked is bounded: one
status, no answer but the one waited for, the last lines of log; what is dropped is counted. Line data go on to a
sink.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from ..errors import InputError, RefusedError
from ..protocol.records import (
    Acknowledge,
    AskStatus,
    BoardEvent,
    InjectFault,
    LineCodeStatus,
    LogText,
    Message,
    PayloadError,
    Record,
    RecordType,
    Refuse,
    ResetTransceiver,
    SelectData,
    SendFrame,
    SetLoopback,
    SetTraffic,
    Status,
    parse_message,
)
from ..protocol.stream import Damage, DamageKind, RecordReader, RecordWriter, TextLine
from ..sources.log import Log
from .line import DuplexLine
from .no_status import no_status
from .tally import DamageTally

__all__ = ["ANSWER_S", "CommandChannel", "LineDataSink"]

ANSWER_S = 0.6
FRESH_S = 3.0
LINE_CODE_S = 0.2
"""How long LINE_CODE may take to come behind its STATUS."""
TRIES = 4
LATE_ANSWERS = 16
_CALLED: dict[type[Message], str] = {
    AskStatus: "its status",
    SelectData: "other line data",
    SetLoopback: "another loopback",
    ResetTransceiver: "a reset",
    SetTraffic: "other traffic",
    InjectFault: "the fault",
    SendFrame: "a frame",
}
_GUARDED = (SetLoopback, ResetTransceiver, SetTraffic, InjectFault, SendFrame)


class LineDataSink(Protocol):
    """Who takes the line data of a board; every call but `making_room` comes from the line's thread."""

    def line_data(self, record: Record) -> None:
        """A record of line data; PayloadError where it cannot be read."""
        ...

    def coming(self, octets: int) -> None:
        """So many octets of a record have come that is not complete yet."""
        ...

    def broken(self) -> None: ...
    def back(self) -> None: ...
    def ended(self) -> None: ...

    def making_room(self, wanted: bool) -> None:
        """An answer is waited for that comes behind line data: do not hold the line's thread up meanwhile."""
        ...


class CommandChannel:
    """Asks and commands a board over `line`; a LineSink. `allow`: it may be made to transmit or reset.

    `status` is the last one that came. InputError where nothing is answered, RefusedError where the board refuses.
    """

    def __init__(
        self,
        line: DuplexLine,
        *,
        allow: bool = False,
        first_sequence: int | None = None,
        answer_s: float = ANSWER_S,
    ) -> None:
        self.line = line
        self.allow = allow
        self.warnings: list[str] = []
        self.tally = DamageTally(self.warnings)
        self.log = Log()
        self.reader = RecordReader()
        self.unreadable = DamageTally([])
        self.selected: RecordType | None = None
        self.echoes = 0
        self.line_data: LineDataSink | None = None
        self.failure = ""
        # A board remembers the last command's number, so a new session must begin somewhere else.
        self._writer = RecordWriter(time.time_ns() // 1000 if first_sequence is None else first_sequence)
        self._calls = _Calls(answer_s)
        self._line_fault = ""

    def start(self) -> None:
        """Begin to read the line."""
        self.line.start(self)

    @property
    def name(self) -> str:
        return self.line.description

    @property
    def status(self) -> Status | None:
        return self._calls.status

    @property
    def line_code(self) -> LineCodeStatus | None:
        """The last LINE_CODE that came; None where the board sends none."""
        return self._calls.line_code

    def line_code_with_status(self) -> LineCodeStatus | None:
        """The LINE_CODE behind the last status, which may be on its way; None where there is none."""
        return self._calls.line_code_after_status(LINE_CODE_S)

    @property
    def answers(self) -> bool:
        """Whether the board has answered the last command."""
        return self._calls.answer is not None

    def close(self) -> None:
        self.line.close()

    # ------------------------------------------------------------------------------------------ to the board

    def command(self, message: Message) -> Acknowledge:
        """Send a command, again if need be; its acknowledgement. InputError where it is refused or not answered."""
        if isinstance(message, _GUARDED) and not self.allow:
            raise InputError(
                "this makes the board transmit or reset, which was not allowed", hint="start with --yes"
            )
        with self._calls.one_at_a_time:
            number, line = self._encoded(message)
            if self.line_data is not None:
                self.line_data.making_room(True)
            try:
                answer = self._calls.answer_to(number, lambda: self.line.write(line))
            finally:
                if self.line_data is not None:
                    self.line_data.making_room(False)
        what = _CALLED.get(type(message), "that")
        if answer is None:
            why = f"asked {TRIES} times for {what}, no answer"
            if self._calls.ended or self._line_fault:
                gone = self._line_fault or self.failure or "closed"
                why = f"asked for {what}, no answer: the line is down ({gone})"
            raise InputError(f"{self.name}: {why}")
        if isinstance(answer, Refuse):
            why = answer.text or answer.reason.name.lower().replace("_", " ")
            raise RefusedError(f"the board refuses {what}: {why}")
        return answer

    def _encoded(self, message: Message) -> tuple[int, bytes]:
        with self._calls.encoding:
            return self._writer.sequence, self._writer.message(message)

    def ask_status(self, *, any_will_do: bool = False) -> Status:
        """A fresh status; with `any_will_do` one that came before, where the board sends them by itself only."""
        for _ in range(TRIES):  # the answer may have come, and the status after it been lost
            before, trouble = self._calls.statuses, None
            try:
                self.command(AskStatus())
            except InputError as error:
                trouble = error
            status = self._calls.status_after(before, wait=trouble is None or self.status is None)
            if status is not None and (any_will_do or trouble is None):
                return status
            if trouble is not None:
                if not any_will_do:
                    raise trouble
                break
        if any_will_do and self.status is not None:
            return self.status
        raise self._no_status()

    def fresh_status(self) -> Status | None:
        """The status, where the board still answers; one that it has just sent by itself will do."""
        if self.status is not None and time.monotonic() - self._calls.status_at < FRESH_S:
            return self.status
        with suppress(InputError):
            return self.ask_status()
        return None

    def _no_status(self) -> InputError:
        if self.echoes:
            return InputError(
                f"{self.name}: the line is looped: commands come back, and no board answers",
                hint="remove the loop, or name the port of the board",
            )
        return no_status(
            self.name,
            self.reader.counters,
            line_fault=self.failure or self._line_fault,
            unreadable=self.unreadable.counts,
            said=self.log.last,
        )

    # ------------------------------------------------------------------------------------------ from the board

    def receive(self, data: bytes, time_ns: int) -> None:
        items = self.reader.feed(data)
        if self.line_data is not None and self.reader.held_octets:
            self.line_data.coming(self.reader.held_octets)
        for item in items:
            if isinstance(item, Record):
                self._record(item, time_ns)
            elif isinstance(item, TextLine):
                self.log.add(time_ns, item.text)
            else:
                self._damage(item)

    def _record(self, record: Record, time_ns: int) -> None:
        try:
            if record.type <= RecordType.BLOCKS:
                if self.line_data is not None:
                    self.line_data.line_data(record)
                return
            message = parse_message(record)
        except PayloadError as error:
            self.unreadable.add(str(error))
            self.tally.add(f"record left out: {error}")
            return
        if isinstance(message, Status):
            self._calls.status_came(message)
        elif isinstance(message, LineCodeStatus):
            self._calls.line_code_came(message)
        elif isinstance(message, Acknowledge | Refuse):
            if not self._calls.answered(message):
                self.tally.add("answers to no command")
        elif isinstance(message, tuple(_CALLED)):
            self.echoes += 1
        elif isinstance(message, LogText):
            self.log.add(time_ns, message.text)
        elif isinstance(message, BoardEvent):
            name = message.code.name.lower().replace("_", " ")
            value = f" {message.value}" if message.value else ""
            self.log.add(time_ns, f"{name}{value} at hyperframe {message.hyperframe}", event=True)

    def _damage(self, damage: Damage) -> None:
        if not self.reader.counters.records:
            return  # the line was opened in the middle of something
        if damage.kind is DamageKind.LOST:
            self.tally.add("records lost on the line", damage.count)
        else:
            self.tally.add(f"record left out: {damage.kind}")

    def broken(self, reason: str) -> None:
        self._line_fault = reason
        self.warnings.append(f"line down: {reason}")
        self.reader.restart()
        if self.line_data is not None:
            self.line_data.broken()

    def opened(self, after_s: float) -> None:
        self._line_fault = ""
        self.warnings.append(f"line up after {after_s:.1f} s")
        if self.line_data is not None:
            self.line_data.back()
        # The board may have started anew. This thread reads the answers, so it must not wait for one.
        if self.selected is not None:
            with suppress(InputError):
                self.line.write(self._encoded(SelectData(self.selected))[1])

    def ended(self, reason: str) -> None:
        self.failure = reason
        self._calls.end()
        if self.line_data is not None:
            self.line_data.ended()


class _Calls:
    """One command at a time, its answer, and the last status; what answers none of the last commands is not kept."""

    def __init__(self, answer_s: float) -> None:
        self.one_at_a_time = threading.Lock()
        self.encoding = threading.Lock()
        self.ended = False
        self.status: Status | None = None
        self.statuses = 0
        self.status_at = 0.0
        self.line_code: LineCodeStatus | None = None
        self._line_code_of = 0  # number of the status before it
        self._answer_s = answer_s
        self._changed = threading.Condition()
        self.answer: Acknowledge | Refuse | None = None
        self._asked: deque[int] = deque(maxlen=LATE_ANSWERS)

    def answer_to(self, number: int, send: Callable[[], None]) -> Acknowledge | Refuse | None:
        """Send until command `number` is answered; None after TRIES, or where the line has ended."""
        with self._changed:
            self.answer = None
            self._asked.append(number)
        for _ in range(TRIES):
            send()
            with self._changed:
                self._changed.wait_for(lambda: self.answer is not None or self.ended, self._answer_s)
                if self.answer is not None or self.ended:
                    return self.answer
        return None

    def answered(self, message: Acknowledge | Refuse) -> bool:
        """Keep the answer to the last command; False for one to no command (a late one to an older one is none)."""
        with self._changed:
            if not self._asked or message.command != self._asked[-1]:
                return message.command in self._asked
            self.answer = message
            self._changed.notify_all()
            return True

    def status_came(self, status: Status) -> None:
        with self._changed:
            self.status, self.status_at = status, time.monotonic()
            self.statuses += 1
            self._changed.notify_all()

    def line_code_came(self, line_code: LineCodeStatus) -> None:
        with self._changed:
            self.line_code, self._line_code_of = line_code, self.statuses
            self._changed.notify_all()

    def line_code_after_status(self, timeout_s: float) -> LineCodeStatus | None:
        """That of the last status, where it comes in time."""
        with self._changed:
            self._changed.wait_for(lambda: self._line_code_of == self.statuses or self.ended, timeout_s)
            return self.line_code if self._line_code_of == self.statuses else None

    def status_after(self, count: int, *, wait: bool) -> Status | None:
        """The status, where more than `count` have come by now, or come in time."""
        with self._changed:
            if wait:
                self._changed.wait_for(lambda: self.statuses > count or self.ended, self._answer_s)
            return self.status if self.statuses > count else None

    def end(self) -> None:
        with self._changed:
            self.ended = True
            self._changed.notify_all()
