"""An emulated board behind a serial line: the board's side of the record protocol, with hyperframes on its link.

It sends by its transmitter, receives through a loopback, a cable or another board, and reports what it receives
in records. Seeded; knows no port and no clock: `advance` makes time pass, octets go in and out as values.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from decoders.link_delay.delay import clock_period_ns

from ..errors import InputError
from ..faults.catalogue import CATALOGUE, parse_fault
from ..formats.form_writer import flagged_words
from ..protocol import records as r
from ..protocol.stream import RecordReader, RecordWriter
from .board_line import LineItems, open_board_line
from .board_records import BoardRecords, event_codes
from .board_sender import BoardSender
from .board_state import TURNAROUND_CLOCKS, BoardAlignment, line_code_status, status_flags
from .emulated_link import DEFAULT_RATE_CODES
from .line_settings import LineSettings
from .pair_stream import PairStream
from .returned_alarms import ReturnedAlarms
from .sent_places import SentPlaces

__all__ = ["BoardSetup", "RecordBoard"]

RESET_HYPERFRAMES = 4


@dataclass(frozen=True, slots=True)
class BoardSetup:
    """What a board is set to. `delay_bits` is its cable; `load` the share of both C&M channels that is filled.

    `line`: RS-FEC and scrambling of what it sends, and RS-FEC of what it receives. `realigns`: an RE whose uplink
    does not move with its alignment offset. `towards_rec`: whether its link leads to the REC; None as its name says.
    """

    name: str = "REC-A"
    option: str = "2"
    seed: int = 1
    pointer_p: int = 40
    hdlc_rate_code: int | None = None
    load: float = 0.5
    loopback: r.Loopback = r.Loopback.INTERNAL
    data_type: r.RecordType = r.RecordType.FLAGGED
    delay_bits: int = 1237
    bit_error_ratio: float = 0.0
    line: LineSettings = field(default_factory=LineSettings)
    realigns: bool = False
    towards_rec: bool | None = None

    @property
    def uplink(self) -> bool:
        """Whether it is an RE, whose uplink answers the downlink."""
        return self.name.startswith("RE-") if self.towards_rec is None else self.towards_rec

    @property
    def sender_settings(self) -> SenderSettings:
        code = DEFAULT_RATE_CODES.get(self.option, 6) if self.hdlc_rate_code is None else self.hdlc_rate_code
        return SenderSettings(option=self.option, pointer_p=self.pointer_p, hdlc_rate_code=code)


_VALUE = r"[^=,]+=-?(0x)?[0-9A-F]+"
_FAULT_TEXT = re.compile(rf"\s*[^@:.]+\.[^@:]+(@\d+)?(:({_VALUE}(,{_VALUE})*)?,?)?\s*", re.IGNORECASE)


def _why_not(text: str) -> r.Reason:
    """The reason to refuse a fault that cannot be injected, as PROTOCOL.md gives it."""
    with suppress(InputError):
        parse_fault(text)
        return r.Reason.NOT_SUPPORTED
    if _FAULT_TEXT.fullmatch(text) is None:
        return r.Reason.MALFORMED
    name = re.split("[@:]", text.strip(), maxsplit=1)[0]
    return r.Reason.OUT_OF_RANGE if name in CATALOGUE else r.Reason.NOT_SUPPORTED


def _send_frame(sender: BoardSender, command: r.SendFrame) -> tuple[r.Reason, str] | None:
    """Queue the frame; the reason to refuse it where it cannot be."""
    least = {r.TrafficPlane.HDLC: 2, r.TrafficPlane.ETHERNET: 14}.get(command.plane)
    if least is None:
        return r.Reason.OUT_OF_RANGE, "plane 2 HDLC or 3 Ethernet"
    if len(command.frame) < least:
        return r.Reason.OUT_OF_RANGE, f"{len(command.frame)} octets, at least {least}"
    why = sender.send_frame(command.plane, command.frame)
    return (r.Reason.NOT_SUPPORTED, why) if why else None


class RecordBoard:
    """The board. What it sends to the host is what `advance`, `receive`, `status` and `from_link` return.

    With loopback PAIR its line goes out through `to_link` and comes in through `from_link`. `sender` None makes the
    one of its setup.
    """

    def __init__(self, setup: BoardSetup | None = None, sender: BoardSender | None = None) -> None:
        setup = BoardSetup() if setup is None else setup
        self.setup = setup
        self.option = option_named(setup.option)
        self._line = open_board_line(self.option, setup.line)
        self.sender = sender or BoardSender(
            setup.sender_settings,
            setup.seed,
            setup.load,
            uplink=setup.uplink,
            line=setup.line,
        )
        self.loopback = setup.loopback
        self.records = BoardRecords(self.option, self._possible(setup.data_type))
        self.reader = RecordReader(r.MAX_COMMAND_PAYLOAD)
        self.decoder = LinkDecoder(LinkSettings(option=self.option.name, form=LineForm.FLAGGED))
        self.resets = 0
        self._random = np.random.default_rng(setup.seed + 10)
        self._alignment = BoardAlignment(self.option, self._random, fec=setup.line.fec)
        self._answer: tuple[int, r.Acknowledge | r.Refuse] | None = None
        self._pair = PairStream(self.option.name)
        self._returned = ReturnedAlarms(acknowledges=setup.uplink)
        self._places = SentPlaces(self.sender)
        self._tell_turnaround()

    def _possible(self, data_type: int) -> int:
        """InputError for line data that the option does not have."""
        if data_type == r.RecordType.BLOCKS and self.option.line_code == "8b10b":
            raise InputError(
                f"option {self.option.name} has no 64B/66B blocks", hint="choose octets, flagged or control"
            )
        return data_type

    # ------------------------------------------------------------------------------------------ time

    def start(self) -> bytes:
        """What the board says first."""
        return self._event(r.EventCode.STARTED) + self.status()

    @property
    def writer(self) -> RecordWriter:
        """Gives the records for the host their numbers."""
        return self.records.writer

    @property
    def received(self) -> int:
        """Hyperframes received, those too that were not cut as such; the number of the next."""
        return self._line.cutter.next

    @property
    def time_ns(self) -> int:
        return self.sender.next_hyperframe * 1_000_000_000 // HYPERFRAMES_PER_SECOND

    def advance(self, n: int, *, room: bool = True) -> bytes:
        """n hyperframes pass; records for the host. Without `room` line data are lost and counted."""
        out = bytearray()
        pair, los = self.loopback is r.Loopback.PAIR, self.decoder.los.active
        batches = self._returned.batches(
            self.sender, n, los=pair and los, lof=pair and self.decoder.state.lof
        )
        self.sender.sent.clear()  # kept for those who write a truth file
        for batch in batches:
            damaged = self.loopback in (r.Loopback.CABLE, r.Loopback.PAIR)
            ratio = self.setup.bit_error_ratio if damaged else 0.0
            items = self._line.send(batch, ratio, self._random)
            self._alignment.move(sum(cut.bits for cut in batch.cuts))
            if self.loopback is r.Loopback.PAIR:
                self._pair.send(items)
                if not self._pair.up:  # nothing on the receiver: no signal, and no sync word
                    out += self._receive_line(np.zeros_like(items), room)
            elif self.loopback is r.Loopback.NONE:  # the receiver has no input, and passes no line data on
                dark = flagged_words(
                    np.zeros(batch.octets.size, np.uint8), None, np.arange(batch.octets.size)
                )
                out += self._told(self.decoder.receive(dark.view(np.uint8), self.time_ns))
            else:
                out += self._receive_line(items, room)
        return bytes(out)

    def _receive_line(self, items: LineItems, room: bool) -> bytes:
        out = b""
        for piece in self._line.receive(items):
            events = self.decoder.receive(piece.words.view(np.uint8), self.time_ns)
            out += self.records.line_data(piece, room) + self._told(events)
        return out

    def _told(self, events: Sequence[Event]) -> bytes:
        """Records of what the receiver has found."""
        if self.loopback is r.Loopback.PAIR:
            self._returned.receive(events)
        return b"".join(map(self._event, event_codes(events)))

    # ------------------------------------------------------------------------------------------ the other board

    def to_link(self) -> bytes:
        """What goes to the other board since the last time."""
        return self._pair.take()

    def link_changed(self, up: bool) -> None:
        """The link between the boards came up or went down; what was on its way is lost."""
        self._pair.changed(up)
        self._tell_turnaround()
        self._places.forget()
        self._line.restart()

    def _tell_turnaround(self) -> None:
        if self.setup.uplink:
            bits = self._alignment.turnaround_bits(self.setup.delay_bits, realigns=self.setup.realigns)
            self._pair.tell_turnaround(bits)

    def from_link(self, data: bytes, *, room: bool = True) -> bytes:
        """Take what comes from the other board; records for the host. InputError where it is another option."""
        items = self._pair.receive(data)
        if not len(items) or self.loopback is not r.Loopback.PAIR:
            return b""
        return self._receive_line(items, room)

    # ------------------------------------------------------------------------------------------ the host

    def receive(self, data: bytes) -> bytes:
        """Octets from the host; the answers."""
        out = b""
        for item in self.reader.feed(data):
            if isinstance(item, r.Record) and item.type >= r.RecordType.ASK_STATUS:
                if self._answer is not None and self._answer[0] == item.sequence:
                    answer, event = self._answer[1], None
                else:
                    answer, event = self._obey(item)
                    self._answer = (item.sequence, answer)
                out += self._send(answer)
                if event is not None:
                    out += self._send(event)
                if item.type == r.RecordType.ASK_STATUS:
                    out += self.status()
        return out

    def status(self) -> bytes:
        """A STATUS record, and behind it LINE_CODE at options 5 to 10."""
        counters, state = self.decoder.counters, self.decoder.state
        line, loopback = self._line, self.loopback
        status = r.Status(
            option=self.option.name,
            data_type=self.records.data_type,
            sync_state=state,
            loopback=loopback,
            flags=status_flags(self.decoder, line.blocks, loopback, fec=self.setup.line.fec),
            alignment_bits=None if state.lof or line.in_reset else self._alignment.bits,
            delay_clocks=self._delay_clocks(),
            clock_period_ps=round(1000 * clock_period_ns(self.option)),
            hyperframes=self.received,
            code_violations=counters["code_violations"] & 0xFFFFFFFF,
            disparity_errors=counters["disparity_errors"] & 0xFFFFFFFF,
            los_events=counters["los_events"],
            lof_events=counters["lof_events"],
            resets=self.resets,
            data_lost=self.records.data_lost & 0xFFFFFFFF,
            bad_records=self.reader.counters.bad_records,
            name=self.setup.name,
        )
        code = line_code_status(self.decoder, line.blocks, loopback, self._alignment)
        return self._send(status) + (b"" if code is None else self._send(code))

    def _delay_clocks(self) -> int:
        """The delay count: the round trip, or Toffset at an RE that another board sends to; 0 unknown."""
        path: int | None = {r.Loopback.INTERNAL: 0, r.Loopback.CABLE: self.setup.delay_bits}.get(
            self.loopback
        )
        if self.loopback is r.Loopback.PAIR and self._pair.up:
            if self.setup.uplink:
                return TURNAROUND_CLOCKS
            if self._pair.turnaround_bits is not None:
                path = self._pair.turnaround_bits + self.setup.delay_bits
        return 0 if path is None else self._alignment.delay_clocks(path)

    def _send(self, message: r.Message) -> bytes:
        return self.records.message(message, self.time_ns)

    def _event(self, code: r.EventCode, value: int = 0) -> bytes:
        return self._send(self._happened(code, value))

    def _happened(self, code: r.EventCode, value: int = 0) -> r.BoardEvent:
        return r.BoardEvent(code, value, self.received)

    def _obey(self, record: r.Record) -> tuple[r.Acknowledge | r.Refuse, r.BoardEvent | None]:
        def refuse(reason: r.Reason, text: str = "") -> tuple[r.Refuse, None]:
            return r.Refuse(record.sequence, record.type, reason, text), None

        try:
            command = r.parse_message(record)
        except r.PayloadError as error:
            return refuse(r.Reason.MALFORMED, str(error)[:200])
        hyperframe, text = self.received, ""
        event: r.BoardEvent | None = None
        if isinstance(command, r.InjectFault):
            try:
                fault = parse_fault(command.text)
                pair = self.loopback is r.Loopback.PAIR
                placed = self._places.schedule(fault, self.received, pair=pair)
            except InputError as error:
                return refuse(_why_not(command.text), str(error)[:400])
            if placed is None:
                return refuse(r.Reason.OUT_OF_RANGE, f"that hyperframe is past; it is {self.received}")
            hyperframe, text = placed
            event = self._happened(r.EventCode.FAULT_PLACED)
        elif isinstance(command, r.SetLoopback):
            self.loopback = command.loopback
            self._line.switch()
            event = self._happened(r.EventCode.LOOPBACK_SET, command.loopback)
        elif isinstance(command, r.ResetTransceiver):
            if not 1 <= command.which <= 3:
                return refuse(r.Reason.OUT_OF_RANGE, "1 transmitter, 2 receiver, 3 both")
            event = self._reset(command.which)
        elif isinstance(command, r.SetTraffic):
            if command.percent > 100:
                return refuse(r.Reason.OUT_OF_RANGE, "0 to 100 percent")
            self.sender.set_traffic(command.plane, command.percent)
            event = self._happened(r.EventCode.TRAFFIC_SET, command.plane * 256 + command.percent)
        elif isinstance(command, r.SelectData):
            if command.data_type > 4:
                return refuse(r.Reason.OUT_OF_RANGE, "1 octets, 2 flagged, 3 control, 4 blocks, 0 none")
            try:
                self.records.data_type = self._possible(command.data_type)
            except InputError as error:
                return refuse(r.Reason.NOT_SUPPORTED, str(error))
            event = self._happened(r.EventCode.DATA_SELECTED, command.data_type)
        elif isinstance(command, r.SendFrame):
            if refused := _send_frame(self.sender, command):
                return refuse(*refused)
        elif not isinstance(command, r.AskStatus):
            return refuse(r.Reason.UNKNOWN_COMMAND)
        return r.Acknowledge(record.sequence, record.type, hyperframe, text), event

    def _reset(self, which: r.Transceiver) -> r.BoardEvent:
        self.resets += 1
        self._alignment.draw()
        self._tell_turnaround()
        if which & r.Transceiver.TRANSMITTER:
            self._line.go_dark(RESET_HYPERFRAMES)
        if which & r.Transceiver.RECEIVER:
            self._line.go_deaf(RESET_HYPERFRAMES)
        return self._happened(r.EventCode.TRANSCEIVER_RESET, int(which))
