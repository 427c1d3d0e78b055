"""A board that speaks the record protocol, as a source: its line data come out, commands go in.

Records are read in the line's own thread, so an answer is found while nobody asks for line data. Commands that
make a board transmit or reset are sent only where that was allowed. Nothing here decodes line data.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import suppress

from decoders.linerates import OPTIONS

from ..errors import InputError, RefusedError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Context
from ..formats.forms import Form, checked_option, stream_octets
from ..protocol.records import (
    MAX_COMMAND_PAYLOAD,
    Acknowledge,
    AskStatus,
    BoardEvent,
    InjectFault,
    LogText,
    Loopback,
    Message,
    PayloadError,
    Record,
    RecordFlag,
    RecordType,
    Refuse,
    ResetTransceiver,
    SelectData,
    SetLoopback,
    SetTraffic,
    Status,
    TrafficPlane,
    Transceiver,
    parse_data,
    parse_message,
)
from ..protocol.stream import Damage, DamageKind, RecordReader, RecordWriter, TextLine
from ..sources.log import Log
from ..sources.source import UNKNOWN_GAP, Chunk, Injection, Standstill
from .gaps import Gaps
from .hyperframes import Hyperframes
from .line import DuplexLine, OctetQueue, Pulse
from .silence import Silence, why_silent

__all__ = ["NOT_IN_CONTROL_WORDS", "BoardSource"]

IDLE_S = 0.25
GATHER_S = 0.04
"""Line data of a slow line wait so long for each other; the screen paints less often."""
ANSWER_S = 0.6
FRESH_S = 3.0
TRIES = 4
_ELSEWHERE = "this board receives what another one sends: its faults show at that one"
_CALLED: dict[type[Message], str] = {
    AskStatus: "its status",
    SelectData: "other line data",
    SetLoopback: "another loopback",
    ResetTransceiver: "a reset",
    SetTraffic: "other traffic",
    InjectFault: "the fault",
}
NOT_IN_CONTROL_WORDS = frozenset({"line", "iq", "delay"})
"""Planes whose faults may lie in what is left out of line data that hold control words only."""
_GUARDED = (SetLoopback, ResetTransceiver, SetTraffic, InjectFault)
_TAKEN = {
    str(Form.OCTETS): (RecordType.OCTETS, RecordType.FLAGGED),
    str(Form.FLAGGED): (RecordType.FLAGGED, RecordType.CONTROL),
}
"""Types of line data that can become a form; octets without their K flags cannot become flagged."""


class BoardSource:
    """`option` is for a board that does not say its own.

    `allow` lets commands through that make it transmit or reset. `select`: a board that sends no line data is told
    to. `limit` ends the stream after so many hyperframes. InputError where no record comes.
    """

    def __init__(
        self,
        line: DuplexLine,
        *,
        option: str | None = None,
        allow: bool = False,
        limit: int | None = None,
        first_sequence: int | None = None,
        answer_s: float = ANSWER_S,
        queue: OctetQueue | None = None,
        gather_s: float = GATHER_S,
        select: bool = True,
    ) -> None:
        self.warnings: list[str] = []
        self.log = Log()
        self.status: Status | None = None
        self.reader = RecordReader()
        self.malformed = 0
        self.other_form = 0
        self.echoes = 0
        self.control_only = False
        self.board_lost = 0
        self.allow = allow
        self._said: dict[str, int] = {}
        self._line = line
        self._limit = limit
        self._answer_s = answer_s
        self._gather_s = gather_s
        self._select = select
        self._queue = OctetQueue() if queue is None else queue
        # A board remembers the last command's number, so a new session must begin somewhere else.
        self._writer = RecordWriter(time.time_ns() // 1000 if first_sequence is None else first_sequence)
        self._answers: dict[int, Acknowledge | Refuse] = {}
        self._changed = threading.Condition()
        self._commanding = threading.Lock()
        self._encoding = threading.Lock()
        self._selected: RecordType | None = None
        self._failure = self._broken = ""
        self._ended = False
        self._frames: Hyperframes | None = None
        self._delivered = 0
        self._ahead = 0  # the board counts its own hyperframes, the stream those that came
        self._gaps = Gaps()
        self._pulse = Pulse()
        self._silence = Silence(self._pulse)
        self._loopback: Loopback | None = None
        self._status_at = 0.0
        line.start(self)
        try:
            self._begin(None if option is None else checked_option(option))
        except BaseException:
            self.close()
            raise

    def _begin(self, option: str | None) -> None:
        status = self.ask_status(first=True)
        name = option or status.option
        if name is None:
            raise InputError(f"{self._line.description}: the board knows no option", hint="give --option")
        self.option = checked_option(name)
        if status.option not in (None, name):
            raise InputError(
                f"{self._line.description}: the board is of option {status.option}, not {name}",
                hint="leave --option out",
            )
        self.description = self._line.description + (f" ({status.name})" if status.name else "")
        self.form = str(Form.OCTETS if status.data_type == RecordType.OCTETS else Form.FLAGGED)
        self._frames = Hyperframes(OPTIONS[self.option], Form(self.form))
        if not status.data_type and self._select:
            self._selected = RecordType.FLAGGED
            self.command(SelectData(self._selected))
        elif status.data_type == RecordType.CONTROL:
            self.control_only = True
            self.warnings.append(
                "the board sends control words only, no IQ data: neither they nor their errors show"
            )

    # ------------------------------------------------------------------------------------------ the stream

    def chunks(self) -> Iterator[Chunk]:
        """Line data until the line is closed; an empty chunk now and then while nothing comes."""
        offset = 0
        most = None if self._limit is None else self._limit * self._hyperframe_octets
        while most is None or offset < most:
            taken = self._queue.take(IDLE_S, gather_s=self._gather_s)
            if taken is None:
                break
            data = b"".join(taken[0])
            if most is not None:
                data = data[: most - offset]
            if not data and self._silence.begins:
                self.warnings.append(why_silent(self._answering()))
            for piece, gap in self._gaps.cut(data, offset):
                yield Chunk(piece, taken[1], offset, gap)
                offset += len(piece)
        if self._failure:
            raise InputError(f"{self._line.description}: {self._failure}")

    @property
    def _hyperframe_octets(self) -> int:
        return stream_octets(Form(self.form), self.option, 1)

    @property
    def hyperframes_missing(self) -> int:
        """Hyperframes that the board counted and that did not come."""
        return 0 if self._frames is None else self._frames.missing

    @property
    def standstill(self) -> Standstill | None:
        """No line data come."""
        return self._pulse.standstill

    @property
    def faults_elsewhere(self) -> bool:
        """Faults put in here show at another board."""
        return self._loopback is Loopback.PAIR

    @property
    def octets_dropped(self) -> int:
        """Octets of line data dropped here because nobody took them in time."""
        return self._queue.dropped

    def close(self) -> None:
        self._queue.close()
        self._line.close()

    # ------------------------------------------------------------------------------------------ commands

    def command(self, message: Message) -> Acknowledge:
        """Send a command, again if need be; its acknowledgement. InputError where it is refused or not answered."""
        if isinstance(message, _GUARDED) and not self.allow:
            raise InputError(
                "this makes the board transmit or reset, which was not allowed", hint="start with --yes"
            )
        with self._commanding:
            number, line = self._encode(message)
            self._queue.elastic = True
            try:
                answer = self._answer_to(number, line)
            finally:
                self._queue.elastic = False
        what = _CALLED.get(type(message), "that")
        if answer is None:
            why = f"asked {TRIES} times for {what}, no answer"
            if self._ended or self._broken:
                gone = self._broken or self._failure or "closed"
                why = f"asked for {what}, no answer: the line is gone ({gone})"
            raise InputError(f"{self._line.description}: {why}")
        if isinstance(answer, Refuse):
            why = answer.text or answer.reason.name.lower().replace("_", " ")
            raise RefusedError(f"the board refuses {what}: {why}")
        return answer

    def _encode(self, message: Message) -> tuple[int, bytes]:
        with self._encoding:
            return self._writer.sequence, self._writer.message(message)

    def _answer_to(self, number: int, line: bytes) -> Acknowledge | Refuse | None:
        for _ in range(TRIES):
            self._line.write(line)
            with self._changed:
                self._changed.wait_for(lambda: number in self._answers or self._ended, self._answer_s)
                answer = self._answers.get(number)
                if answer is not None:
                    self._answers.clear()
                    return answer
                if self._ended:
                    return None
        return None

    def ask_status(self, *, first: bool = False) -> Status:
        """A fresh status; at first any that comes will do, for a board may send them by itself only."""
        self._forget_status()
        for _ in range(TRIES):  # the answer may have come, and the status after it been lost
            trouble: InputError | None = None
            try:
                self.command(AskStatus())
            except InputError as error:
                trouble = error
            with self._changed:
                self._changed.wait_for(lambda: self.status is not None or self._ended, self._answer_s)
                status = self.status
            if status is not None and (first or trouble is None):
                return status
            if trouble is not None:
                if not first:
                    raise trouble
                break
        raise self._no_status()

    def _no_status(self) -> InputError:
        """What came in the place of a status, and what that may mean."""
        counters, name = self.reader.counters, self._line.description
        if self.echoes:
            return InputError(
                f"{name}: what is sent here comes back: the line is looped, and no board answers",
                hint="take the plug out, or name the port of the board",
            )
        what = f"{name}: {self._failure or self._broken or 'no status came'}"
        if self.log.count and counters.records:
            return InputError(f"{what}; the board said: {self.log.last}")
        seen = (
            f"{counters.octets} octets came, {counters.records} records, {counters.text_lines} lines of text"
        )
        raw = "for a board that sends raw line data give --form"
        hint = f"is it the right port? {raw}" if "://" in name else f"check --baud; {raw}"
        return InputError(f"{what} ({seen})", hint=hint)

    def _answering(self) -> Status | None:
        """The status, where the board still answers; one that it has just sent by itself will do."""
        status = self.status
        if status is not None and time.monotonic() - self._status_at < FRESH_S:
            return status
        with suppress(InputError):
            return self.ask_status()
        return None

    def _forget_status(self) -> None:
        with self._changed:
            self.status = None

    def set_loopback(self, loopback: Loopback) -> Acknowledge:
        return self.command(SetLoopback(loopback))

    def reset_transceiver(
        self, which: Transceiver = Transceiver.TRANSMITTER | Transceiver.RECEIVER
    ) -> Acknowledge:
        return self.command(ResetTransceiver(which))

    def set_traffic(self, plane: TrafficPlane, percent: int) -> Acknowledge:
        return self.command(SetTraffic(plane, percent))

    def inject(self, text: str) -> Injection:
        """Schedule a fault; see FaultySource."""
        fault = parse_fault(text)
        if self.control_only and fault.kind.plane in NOT_IN_CONTROL_WORDS:
            raise InputError(
                f"fault {fault.kind.name}: the board sends control words only, it would not show"
            )
        ahead = self._ahead
        full = fault.text
        if fault.hyperframe is not None:
            if fault.hyperframe + ahead < 0:
                raise InputError(f"hyperframe {fault.hyperframe} is past")
            full = full.replace(f"@{fault.hyperframe}", f"@{fault.hyperframe + ahead}", 1)
        try:
            answer = self.command(InjectFault(full))
        except PayloadError as error:
            raise InputError(str(error)) from None
        if self.faults_elsewhere and _ELSEWHERE not in self.warnings:
            self.warnings.append(_ELSEWHERE)
        line, flags = OPTIONS[self.option], self.form != Form.OCTETS
        expected = fault.expected(Context(line, flags=flags, bits=False))
        return Injection(max(answer.hyperframe - ahead, 0), fault.text, expected)

    # ------------------------------------------------------------------------------------------ the line's thread

    def receive(self, data: bytes, time_ns: int) -> None:
        items = self.reader.feed(data)
        if self.reader.held_octets > MAX_COMMAND_PAYLOAD:
            self._pulse.came()  # only line data are so long, and they may take a while
        for item in items:
            if isinstance(item, Record):
                self._record(item, time_ns)
            elif isinstance(item, TextLine):
                self.log.add(time_ns, item.text)
            else:
                self._damage(item)

    def broken(self, reason: str) -> None:
        self._broken = reason
        self._pulse.broke()
        self.warnings.append(f"the line broke: {reason}")
        self.reader.restart()
        if self._frames is not None:
            self._frames.restart()

    def opened(self, after_s: float) -> None:
        self._broken = ""
        self._pulse.back()
        self.warnings.append(f"the line is back after {after_s:.1f} s")
        # The board may have started anew. This thread reads the answers, so it must not wait for one.
        if self._selected is not None:
            with suppress(InputError):
                self._line.write(self._encode(SelectData(self._selected))[1])

    def ended(self, reason: str) -> None:
        with self._changed:
            self._failure = reason
            self._ended = True
            self._changed.notify_all()
        self._queue.close()

    def _damage(self, damage: Damage) -> None:
        if not self.reader.counters.records:
            return  # the line was opened in the middle of something
        if damage.kind is DamageKind.LOST:
            self._say("records lost on the line", damage.count)
        else:
            self._say(f"record left out: {damage.kind}", 1)

    def _say(self, what: str, count: int) -> None:
        """Warn of the first, and again each time there are ten times as many."""
        before = self._said.get(what, 0)
        now = self._said[what] = before + count
        if not before or len(str(now)) > len(str(before)):
            self.warnings.append(f"{what}: {now} by now")

    def _record(self, record: Record, time_ns: int) -> None:
        try:
            if record.type <= RecordType.CONTROL:
                self._line_data(record)
                return
            message = parse_message(record)
        except PayloadError as error:
            self.malformed += 1
            self._say(f"record left out: {error}"[:120], 1)
            return
        if isinstance(message, Status):
            self._loopback, self._status_at = message.loopback, time.monotonic()
            with self._changed:
                self.status = message
                self._changed.notify_all()
        elif isinstance(message, Acknowledge | Refuse):
            with self._changed:
                self._answers[message.command] = message
                self._changed.notify_all()
        elif isinstance(message, tuple(_CALLED)):
            self.echoes += 1
        elif isinstance(message, LogText):
            self.log.add(time_ns, message.text)
        elif isinstance(message, BoardEvent):
            name = message.code.name.lower().replace("_", " ")
            value = f" {message.value}" if message.value else ""
            self.log.add(time_ns, f"{name}{value} at hyperframe {message.hyperframe}", event=True)

    def _line_data(self, record: Record) -> None:
        self._pulse.came()
        frames = self._frames
        if frames is None:
            return  # nothing is known of the board yet
        data = parse_data(record)
        self.control_only = data.type is RecordType.CONTROL
        if data.option not in (None, self.option):
            self.other_form += 1
            self._say(f"line data of option {data.option} left out", 1)
            return
        if data.type not in _TAKEN[self.form]:
            self.other_form += 1
            self._say(f"line data of type {data.type.name.lower()} left out", 1)
            return
        if record.flags & RecordFlag.LOST:
            self.board_lost += 1
            if frames.next is not None:  # else it was before anybody listened
                self._say("hyperframes lost in the board", 1)
        missing, cut, due = frames.missing, frames.cut, frames.next
        octets = frames.take(data, uncut=bool(record.flags & RecordFlag.UNCUT))
        if frames.missing > missing:
            self._say("hyperframes that did not come", frames.missing - missing)
        if frames.cut > cut:
            self._say("hyperframes that came in part", frames.cut - cut)
        anew = due is not None and data.hyperframe < due and not data.offset
        if anew and not record.flags & RecordFlag.UNCUT:
            self._gaps.add(UNKNOWN_GAP)  # the board counts anew
        else:
            self._gaps.add(frames.missing - missing)
        if not octets or self._queue.closed:
            return
        self._gaps.place(self._delivered)
        self._place(frames, len(octets))  # now, for there may be no room in the queue for a while
        if self._queue.put(octets, record.time_ns):
            self._delivered += len(octets)
        elif not self._queue.closed:
            self._place(frames, 0)
            self._gaps.take_back(self._delivered)
            self._gaps.add(round(len(octets) / self._hyperframe_octets))
            self._say("octets of line data that were not taken in time", len(octets))

    def _place(self, frames: Hyperframes, octets: int) -> None:
        """How far the board's count is ahead of the stream's once so many more octets are delivered."""
        if frames.next is not None:
            self._ahead = frames.next - round((self._delivered + octets) / self._hyperframe_octets)
