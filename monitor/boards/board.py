"""A board that speaks the record protocol, as a source: its line data come out, commands go in. Decodes nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS

from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Context, Fault
from ..formats.forms import Form, check_form, checked_option
from ..protocol.records import (
    Acknowledge,
    InjectFault,
    LineCodeFlag,
    Loopback,
    Message,
    PayloadError,
    RecordType,
    ResetTransceiver,
    SelectData,
    SendFrame,
    SetLoopback,
    SetTraffic,
    Status,
    StatusFlag,
    TrafficPlane,
    Transceiver,
)
from ..protocol.stream import RecordReader
from ..sources.log import Log
from ..sources.source import BoardReport, Chunk, Injection, Standstill
from .command_channel import ANSWER_S, CommandChannel
from .line import DuplexLine, OctetQueue
from .line_data import BoardLineData
from .report import board_report
from .sent_in import sent_in
from .silence import Silence, why_silent

__all__ = ["MOST_AHEAD", "NOT_IN_CONTROL_WORDS", "BoardSource"]

IDLE_S = 0.25
GATHER_S = 0.04
"""Line data of a slow line wait so long for each other; the screen refreshes less often."""
MOST_AHEAD = 100_000
"""Hyperframes that a board may schedule a fault ahead: 7 s of line, more than two minutes at 750 a second."""
_ELSEWHERE = "this board receives what another one sends: its faults show at that one"
_FORMS: Mapping[int, Form] = {RecordType.OCTETS: Form.OCTETS, RecordType.BLOCKS: Form.BLOCKS}
"""The form of the stream for a type of line data; flagged for every other."""
NOT_IN_CONTROL_WORDS = frozenset({"line", "iq", "delay"})
"""Planes whose faults may lie in what is left out of line data that hold control words only."""


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
        self.channel = CommandChannel(line, allow=allow, first_sequence=first_sequence, answer_s=answer_s)
        self.warnings: list[str] = self.channel.warnings
        self.log: Log = self.channel.log
        self.line_data = BoardLineData(self.channel.tally, queue)
        self.channel.line_data = self.line_data
        self._limit = limit
        self._gather_s = gather_s
        self._silence = Silence(self.line_data.pulse)
        self.channel.start()
        try:
            self._begin(None if option is None else checked_option(option), select=select)
        except BaseException:
            self.close()
            raise

    def _begin(self, option: str | None, *, select: bool) -> None:
        status, line = self.channel.ask_status(any_will_do=True), self.channel.name
        name = option or status.option
        if name is None:
            raise InputError(f"{line}: the board knows no option", hint="give --option")
        self.option = checked_option(name)
        if status.option not in (None, name):
            raise InputError(
                f"{line}: the board is of option {status.option}, not {name}", hint="leave --option out"
            )
        self.description = line + (f" ({status.name})" if status.name else "")
        form = _FORMS.get(status.data_type, Form.FLAGGED)
        check_form(form, self.option)
        self.form = str(form)
        self.line_data.begin(self.option, Form(self.form))
        if not status.data_type and select:
            self.channel.selected = RecordType.FLAGGED
            self.command(SelectData(RecordType.FLAGGED))
        elif status.data_type == RecordType.CONTROL:
            self.line_data.control_only = True
            self.warnings.append(
                "the board sends control words only, no IQ data: neither they nor their errors show"
            )

    # ------------------------------------------------------------------------------------------ the stream

    def chunks(self) -> Iterator[Chunk]:
        """Line data until the line is closed; an empty chunk now and then while nothing comes.

        InputError where the line fails, or where none of the line data can be used.
        """
        offset = 0
        most = None if self._limit is None else self._limit * self.line_data.hyperframe_octets
        while most is None or offset < most:
            left = None if most is None else most - offset
            try:
                chunks = self.line_data.take(offset, left, IDLE_S, self._gather_s)
            except InputError as error:
                raise InputError(f"{self.channel.name}: {error}", hint="check what the board sends") from None
            if chunks is None:
                break
            begin = offset
            for chunk in chunks:
                yield chunk
                offset += len(chunk.data)
            if offset == begin and self._silence.begins:
                self.warnings.append(why_silent(self.channel.fresh_status()))
        if self.channel.failure:
            raise InputError(f"{self.channel.name}: {self.channel.failure}")

    @property
    def control_only(self) -> bool:
        """Whether the line data hold control words only."""
        return self.line_data.control_only

    @property
    def hyperframes_missing(self) -> int:
        """Hyperframes that the board counted and that were not received."""
        return self.line_data.missing

    @property
    def octets_dropped(self) -> int:
        """Octets of line data dropped because they were not taken in time."""
        return self.line_data.queue.dropped

    @property
    def waiting(self) -> bool:
        """Whether a chunk, or the end of the line, is there to be taken at once."""
        return bool(self.line_data.queue.held) or self.line_data.queue.closed

    @property
    def standstill(self) -> Standstill | None:
        """No line data come."""
        return self.line_data.pulse.standstill

    def close(self) -> None:
        self.line_data.queue.close()
        self.channel.close()

    # ------------------------------------------------------------------------------------------ the board

    @property
    def allow(self) -> bool:
        """Whether commands go out that make the board transmit or reset."""
        return self.channel.allow

    @allow.setter
    def allow(self, value: bool) -> None:
        self.channel.allow = value

    @property
    def status(self) -> Status | None:
        """The last status that came."""
        return self.channel.status

    @property
    def fec(self) -> bool:
        """Whether the link has RS-FEC, as the status says; the line data are what stands behind it."""
        return self.status is not None and bool(self.status.flags & StatusFlag.FEC)

    @property
    def board_report(self) -> BoardReport:
        return board_report(self.status, self.reader.counters, self.option, self.octets_dropped)

    @property
    def reader(self) -> RecordReader:
        return self.channel.reader

    @property
    def faults_elsewhere(self) -> bool:
        """Faults injected here show at another board."""
        return self.status is not None and self.status.loopback is Loopback.PAIR

    def command(self, message: Message) -> Acknowledge:
        """Send a command; its acknowledgement. InputError where it is not answered or, RefusedError, refused."""
        return self.channel.command(message)

    def ask_status(self) -> Status:
        """A fresh status; InputError where none comes."""
        return self.channel.ask_status()

    def set_loopback(self, loopback: Loopback) -> Acknowledge:
        return self.command(SetLoopback(loopback))

    def reset_transceiver(
        self, which: Transceiver = Transceiver.TRANSMITTER | Transceiver.RECEIVER
    ) -> Acknowledge:
        return self.command(ResetTransceiver(which))

    def set_traffic(self, plane: TrafficPlane, percent: int) -> Acknowledge:
        return self.command(SetTraffic(plane, percent))

    def send_frame(self, plane: TrafficPlane, frame: bytes) -> int:
        """Have one C&M frame sent, given without its FCS; the hyperframe of the stream from which on it may begin."""
        return max(self.command(SendFrame(plane, frame)).hyperframe - self.line_data.ahead, 0)

    def inject(self, text: str) -> Injection:
        """Schedule a fault; see FaultySource."""
        fault = parse_fault(text)
        if self.control_only and fault.kind.plane in NOT_IN_CONTROL_WORDS:
            raise InputError(
                f"fault {fault.kind.name}: the board sends control words only, it would not show"
            )
        ahead = self.line_data.ahead
        asked = None if fault.hyperframe is None else fault.hyperframe + ahead
        full = fault.text
        if asked is not None:
            if asked < 0:
                raise InputError(f"hyperframe {fault.hyperframe} is past")
            full = full.replace(f"@{fault.hyperframe}", f"@{asked}", 1)
        try:
            answer = self.command(InjectFault(full))
        except PayloadError as error:
            raise InputError(str(error)) from None
        at = answer.hyperframe
        self._check_place(fault, at, asked)
        if self.faults_elsewhere and _ELSEWHERE not in self.warnings:
            self.warnings.append(_ELSEWHERE)
        return Injection(
            max(at - ahead, 0), fault.text, fault.expected(self._context()), sent_in(answer.text)
        )

    def _context(self) -> Context:
        """What a fault has to know of the link and of the form of its line data."""
        form, code = LineForm(self.form), self.channel.line_code
        seed = code.seed if code is not None and code.flags & LineCodeFlag.SEED_KNOWN else None
        return Context(
            OPTIONS[self.option],
            flags=form.has_flags,
            bits=False,
            blocks=form is LineForm.BLOCKS,
            version=1 if seed is None else 2,
            fec=self.fec,
            scrambling=seed,
        )

    def _check_place(self, fault: Fault, at: int, asked: int | None) -> None:
        """InputError where a board acknowledges a fault for a hyperframe too far ahead to wait for."""
        now = self.line_data.next_of_board
        if now is None:
            now = 0 if self.status is None else self.status.hyperframes
        latest = max(now, asked or 0) + MOST_AHEAD
        if at > latest:
            raise InputError(
                f"fault {fault.kind.name}: the board acknowledges it for hyperframe {at}, {at - now} ahead;"
                f" at most {MOST_AHEAD} are waited for",
                hint="check how the board counts hyperframes",
            )
