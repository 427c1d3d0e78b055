"""A board on a serial line as a rig: opened by each stage, given back after it.

What a board sends is its own: where the plan does not say what it is ([board]), it cannot be compared. The record
protocol has no command that changes the line rate, so rate changes are not seen here.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress

from decoders.events import Plane
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link_delay.delay import clock_bits

from ..boards.board import BoardSource
from ..boards.delay import BoardDelay
from ..boards.serial_port import DEFAULT_BAUD, SerialLine
from ..campaign.live_bench import LiveBench
from ..campaign.live_link import LiveLink
from ..campaign.receivers import OWN_DECODER
from ..delay.samples import ResettableBoard, was_counted
from ..errors import InputError, RefusedError
from ..protocol.records import Loopback, Status, TrafficPlane, Transceiver
from ..sources.source import UNKNOWN_GAP, Chunk, Injection
from .known_traffic import number_of_frame, numbered_frame
from .link_up import MS
from .plan import AcceptancePlan
from .results import NotObservable
from .rig import CampaignLink, NumberedFrames, Restart, StreamPoint, Streams, ToneStreams

__all__ = ["BoardRig"]

ASSUMED_RATE = 750.0
"""Hyperframes a second, where the plan does not say how many come."""
_COUNTED_S = 1.0
_FRAMES_AT_ONCE = 8
_FLUSH_HYPERFRAMES = 3000
"""After the last frame has been handed over: a board may have some in its queue."""
_TRAFFIC = {Plane.HDLC: TrafficPlane.HDLC, Plane.ETHERNET: TrafficPlane.ETHERNET}
_LOOPBACKS = {"internal": Loopback.INTERNAL, "cable": Loopback.CABLE}


class _BoardStreams:
    """What a board receives; counts hyperframes as the board does."""

    def __init__(self, source: BoardSource, name: str) -> None:
        self.source = source
        self._link = LiveLink(source)
        unseen = ("the board sends control words only: IQ data do not show",) if source.control_only else ()
        self.points = (StreamPoint(name, source.option, LineForm(source.form), unseen),)
        self._number: float | None = None

    @property
    def hyperframe_octets(self) -> int:
        return self._link.hyperframe_octets

    def next(self) -> tuple[float, Chunk]:
        """The next chunk and the board's number of its first hyperframe."""
        chunk = self._link.next()
        length = len(chunk.data) / self._link.hyperframe_octets
        if self._number is None or chunk.gap == UNKNOWN_GAP:
            first = self._link.hyperframe + self.source.line_data.ahead - length
        else:
            first = self._number + chunk.gap
        self._number = first + length
        return first, chunk

    def after(self, hyperframe: int) -> tuple[float, Chunk]:
        """The first chunk that begins at a board's hyperframe or later."""
        while True:
            first, chunk = self.next()
            if round(first) >= hyperframe:
                return first, chunk

    def read(self) -> Iterator[tuple[int, Chunk]]:
        while True:
            yield 0, self.next()[1]

    def inject(self, text: str) -> Injection:
        if self.source.faults_elsewhere:
            raise NotObservable("the board receives what another one sends: faults injected here show there")
        return self.source.inject(text)


class _Begun:
    """Streams with a first chunk that was read already."""

    def __init__(self, streams: _BoardStreams, first: Chunk) -> None:
        self.points = streams.points
        self._streams, self._first = streams, first

    def read(self) -> Iterator[tuple[int, Chunk]]:
        first = self._first
        yield 0, Chunk(first.data, first.time_ns, first.offset)
        yield from self._streams.read()

    def inject(self, text: str) -> Injection:
        return self._streams.inject(text)


class _BoardFrames:
    """Ethernet frames whose running number the plan tells of."""

    done = False

    def __init__(self, streams: Streams, offset: int, octets: int) -> None:
        self.streams = streams
        self.modulus = 1 << (8 * octets)
        self._span = slice(offset, offset + octets)

    def number(self, plane: Plane, data: bytes) -> int | None:
        octets = data[self._span]
        whole = len(octets) == self._span.stop - self._span.start
        return int.from_bytes(octets, "big") if plane is Plane.ETHERNET and whole else None

    def sent(self, plane: Plane) -> int | None:
        return None


class _SentFrames:
    """Numbered frames that the board is asked to send, among its own; a `NumberedFrames`, and its streams."""

    modulus = 0

    def __init__(self, streams: _BoardStreams, planes: Sequence[str], frames: int, seed: int) -> None:
        self._streams, self._frames, self._seed = streams, frames, seed
        self._handed = {Plane(name): 0 for name in planes}
        self._since = 0.0
        self.points = streams.points
        self.streams: Streams = self

    def number(self, plane: Plane, data: bytes) -> int | None:
        number = number_of_frame(plane, data, self._seed)
        return -1 if number is None else number  # the board's own traffic

    def sent(self, plane: Plane) -> int | None:
        return self._handed.get(plane)

    @property
    def done(self) -> bool:
        return self._since >= _FLUSH_HYPERFRAMES

    def read(self) -> Iterator[tuple[int, Chunk]]:
        while True:
            for plane in self._handed:
                self._send_some(plane)
            chunk = self._streams.next()[1]
            if all(count >= self._frames for count in self._handed.values()):
                self._since += len(chunk.data) / self._streams.hyperframe_octets
            yield 0, chunk

    def _send_some(self, plane: Plane) -> None:
        for _ in range(_FRAMES_AT_ONCE):
            number = self._handed[plane]
            if number >= self._frames:
                return
            try:
                frame = numbered_frame(plane, number, self._seed)
                self._streams.source.send_frame(_TRAFFIC[plane], frame)
            except RefusedError as error:
                if not number:
                    raise NotObservable(f"the board does not send frames of the host ({error})") from None
                return  # its queue may be full: later
            self._handed[plane] += 1

    def inject(self, text: str) -> Injection:
        return self._streams.inject(text)


class BoardRig:
    """The board of a plan's source; InputError where it does not answer."""

    touches: Mapping[str, str] = {
        "link_up": "resets its transceiver again and again",
        "loopback": "sets its loopbacks",
        "cm_integrity": "sends C&M frames of this program",
        "vendor": "injects values into vendor specific octets that it sends",
        "campaign": "makes it transmit damaged data",
        "delay": "resets its transceiver again and again",
    }

    def __init__(self, plan: AcceptancePlan) -> None:
        self.plan = plan
        self.description = plan.source
        self._option = plan.option
        self._status: Status | None = None

    @property
    def option(self) -> str:
        """The board's own; that of the plan before it was asked."""
        return self._option or self.plan.own_option

    @contextmanager
    def _open(self) -> Iterator[BoardSource]:
        line = SerialLine(self.plan.source, self.plan.baud or DEFAULT_BAUD, reconnect=False)
        source = BoardSource(line, option=self.plan.option, allow=True, gather_s=0.0)
        try:
            self._option, self.description = source.option, source.description
            self._status = source.status
            yield source
        finally:
            source.close()

    def check_present(self) -> None:
        with self._open():
            pass

    @property
    def settings(self) -> Mapping[str, str]:
        self.check_present()
        status = self._status
        told = {
            "board": self.description,
            "line bit rate option": f"{self.option} ({option_named(self.option).line_rate_bps / 1e6:g} Mbit/s)",
        }
        if status is not None:
            told["loopback"] = status.loopback.name.lower()
            told["resets before"] = str(status.resets)
        return told

    def hyperframes_per_second(self) -> float:
        return self.plan.hyperframes_per_second or ASSUMED_RATE

    def _streams(self, source: BoardSource) -> _BoardStreams:
        name = source.status.name if source.status is not None and source.status.name else "board"
        return _BoardStreams(source, name)

    @contextmanager
    def watch(self, *, option: str | None = None) -> Iterator[Streams]:
        self._own_rate(option)
        with self._open() as source:
            yield self._streams(source)

    def _own_rate(self, option: str | None) -> None:
        if option not in (None, self.option):
            raise NotObservable(
                "the record protocol has no command that changes the line rate; run a plan of its own at each rate"
            )

    @contextmanager
    def restart(self, reset: int, *, option: str | None = None) -> Iterator[Restart]:
        if option is not None:
            raise NotObservable(
                "the record protocol has no command that changes the line rate; run a plan of its own at each rate"
            )
        with self._open() as source:
            streams = self._streams(source)
            streams.next()
            paired = source.faults_elsewhere
            both = Transceiver.TRANSMITTER | Transceiver.RECEIVER
            # Of a pair every second reset is the transmitter's alone: the remote end's answer is to be received.
            answers = paired and reset % 2 == 0
            before = source.ask_status().resets
            answer = source.reset_transceiver(Transceiver.TRANSMITTER if answers else both)
            first, chunk = streams.after(answer.hyperframe)
            counted = self._counted(source, before)
            lead_ms = max(0.0, first - answer.hyperframe) / MS
            yield Restart(_Begun(streams, chunk), {}, 0 if answers else None, counted, lead_ms)

    def _counted(self, source: BoardSource, before: int) -> bool:
        until = time.monotonic() + _COUNTED_S
        while not was_counted(before, source.ask_status().resets):
            if time.monotonic() > until:
                return False
            time.sleep(0.02)
        return True

    @contextmanager
    def looped(self, which: str) -> Iterator[tuple[Streams, float | None]]:
        wanted = _LOOPBACKS[which]
        with self._open() as source:
            before = source.ask_status().loopback
            if before is Loopback.PAIR:
                raise NotObservable(
                    "the board is joined with another one; a loopback would take the link down"
                )
            streams = self._streams(source)
            streams.next()
            try:
                answer = source.set_loopback(wanted)
                status = source.ask_status()
                if status.loopback is not wanted:
                    said = status.loopback.name.lower()
                    raise NotObservable(
                        f"the board acknowledges the {which} loopback, its status says {said}"
                    )
                _, chunk = streams.after(answer.hyperframe)
                yield _Begun(streams, chunk), self._delay_ns(source)
            finally:
                with suppress(InputError):
                    source.set_loopback(before)

    def _delay_ns(self, source: BoardSource) -> float | None:
        status = source.ask_status()
        if not status.delay_clocks or not status.clock_period_ps or status.alignment_bits is None:
            return None
        clocks = status.delay_clocks + status.alignment_bits / clock_bits(option_named(self.option))
        return clocks * status.clock_period_ps / 1000

    @contextmanager
    def pn(self, order: int) -> Iterator[Streams]:
        known = self.plan.board.pn_order
        if known != order:
            what = f"PN{known}, and PN{order} is asked for" if known else "no PN sequence"
            raise NotObservable(
                f"the plan says of the IQ data that the board sends: {what} ([board] pn_order)"
            )
        with self.watch() as streams:
            if streams.points[0].unseen:
                raise NotObservable(streams.points[0].unseen[0])
            yield streams

    @contextmanager
    def numbered(self, planes: Sequence[str], frames: int) -> Iterator[NumberedFrames]:
        known = self.plan.board
        if not known.sequence_octets:
            with self._open() as source:
                if source.faults_elsewhere:
                    raise NotObservable(
                        "the board receives what another one sends, not the frames that it sends"
                    )
                streams = self._streams(source)
                streams.next()
                yield _SentFrames(streams, planes, frames, self.plan.seed)
            return
        if tuple(planes) != (Plane.ETHERNET.value,):
            raise NotObservable('running numbers are known of Ethernet alone; set planes = ["ethernet"]')
        with self.watch() as watched:
            yield _BoardFrames(watched, known.sequence_offset, known.sequence_octets)

    @contextmanager
    def tones(self) -> Iterator[ToneStreams]:
        known = self.plan.board
        if not known.iq_map or not known.tone_hz:
            raise NotObservable(
                "the plan tells of no tone in the IQ data that the board sends ([board] iq_map, tone_hz)"
            )
        with self.watch() as streams:
            if streams.points[0].unseen:
                raise NotObservable(streams.points[0].unseen[0])
            yield ToneStreams(streams, known.iq_map, known.tone_hz, known.level_dbfs, False)

    @contextmanager
    def campaign(self) -> Iterator[CampaignLink]:
        with self._open() as source:
            if source.faults_elsewhere:
                raise NotObservable("the board receives what another one sends, not its own faults")
            bench = LiveBench(source, self.plan.source, baud=self.plan.baud)
            yield CampaignLink(bench.conditions, bench, OWN_DECODER)

    @contextmanager
    def delay_board(self, resets: int) -> Iterator[ResettableBoard]:
        with self._open() as source:
            board = BoardDelay(source)
            try:
                yield board
            finally:
                board.close()
