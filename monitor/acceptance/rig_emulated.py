"""The emulated site as a rig: one board with its loopback, or REC-A and RE-1 with both directions watched."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from decoders.arrays import U8
from decoders.errors import DecodersError
from decoders.events import Plane
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, LineRateOption, option_named
from decoders.link.settings import SenderSettings
from decoders.link_delay.delay import Compensation, clock_bits

from ..campaign.conditions import LinkConditions
from ..campaign.receivers import OWN_DECODER, receiver_named
from ..delay.samples import ResettableBoard
from ..emulation.cable import Cable
from ..emulation.emulated_link import DEFAULT_RATE_CODES
from ..emulation.line_writer import open_line_writer
from ..emulation.sender import EmulatedSender, iq_map_sent
from ..emulation.sent import SentBatch
from ..emulation.transceiver import BoardSettings, EmulatedBoard
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Context
from ..sources.names import is_pair
from ..sources.source import Chunk, Injection
from .known_traffic import (
    IqFill,
    KnownSender,
    NumberedTraffic,
    PnFill,
    ToneFill,
    number_of_frame,
    planes_named,
)
from .plan import AcceptancePlan, EmulatedBehaviour
from .results import NotObservable
from .rig import CampaignLink, NumberedFrames, Restart, StreamPoint, Streams, ToneStreams, point_decoder

__all__ = ["EmulatedRig"]

CHUNK_HYPERFRAMES = 25
_FINE_HYPERFRAMES = 2
"""Hyperframes of a chunk where times are measured."""
_DARK, _LONGER_DARK = 4, 24
_LOAD = 0.3
_TIMED_TURNS = 8
_FLUSH_HYPERFRAMES = 200
"""After the last frame has left: longer than any part of it is on its way."""


class _Way:
    """One direction of the line: line bits in, line bits out, dark for a while at first."""

    def __init__(
        self, option: LineRateOption, behaviour: EmulatedBehaviour, dark_bits: int, seed: int
    ) -> None:
        self._writer = open_line_writer(LineForm.BITS, option)
        self._cable = Cable(dark_bits, behaviour.ber, seed)
        self._swapped = behaviour.swapped_pair

    def carry(self, batches: Sequence[SentBatch]) -> bytes:
        bits = self._cable.carry(self._writer.write(batches))
        return np.invert(np.frombuffer(bits, np.uint8)).tobytes() if self._swapped else bits


class _Senders:
    """Streams of one sender (REC-A looped back) or two (REC-A and RE-1, which answers with its alarms)."""

    def __init__(
        self,
        rig: EmulatedRig,
        option: str,
        *,
        dark: Sequence[int],
        chunk: int = CHUNK_HYPERFRAMES,
        reset: int = 0,
        faults: bool = True,
    ) -> None:
        line, behaviour, plan = option_named(option), rig.behaviour, rig.plan
        names = ("REC-A>RE-1", "RE-1>REC-A") if rig.pair else ("REC-A",)
        self.points = tuple(StreamPoint(name, line.name, LineForm.BITS) for name in names)
        random = np.random.default_rng((plan.seed, reset))
        self._line = line
        self._chunk = chunk
        self._senders = [
            EmulatedSender(rig.sender_settings(option), plan.seed + 100 * i, load=_LOAD, uplink=bool(i))
            for i in range(len(names))
        ]
        self._ways = [
            _Way(
                line,
                behaviour,
                each * line.hyperframe_line_bits + int(random.integers(0, clock_bits(line))),
                plan.seed + 10 + i + reset,
            )
            for i, each in enumerate(dark)
        ]
        self._far = point_decoder(self.points[0]) if rig.pair else None
        self._answers = behaviour.answers_rai
        if faults:
            for text in behaviour.faults:
                self._senders[-1].schedule(parse_fault(text))

    def read(self) -> Iterator[tuple[int, Chunk]]:
        sent = 0
        offsets = [0] * len(self.points)
        while True:
            for i, sender in enumerate(self._senders):
                bits = self._ways[i].carry(sender.batch(self._chunk))
                sender.sent.clear()
                if i == 0 and self._far is not None:
                    self._far.receive(bits)
                    self._answer(self._senders[1])
                yield i, Chunk(bits, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND, offsets[i])
                offsets[i] += len(bits)
            sent += self._chunk

    def _answer(self, uplink: EmulatedSender) -> None:
        far = self._far
        assert far is not None
        alarms = 0
        if far.los.active:
            alarms |= ALARM_BITS["los"]
        if far.state.lof:
            alarms |= ALARM_BITS["lof"]
        if alarms and self._answers:
            alarms |= ALARM_BITS["rai"]
        uplink.encoder.alarms = alarms if self._answers else 0

    def inject(self, text: str) -> Injection:
        """In what the first point receives."""
        fault = parse_fault(text)
        sender = self._senders[0]
        sender.schedule(fault)
        at = sender.next_hyperframe if fault.hyperframe is None else fault.hyperframe
        return Injection(at, fault.text, fault.expected(Context(self._line)))


class _KnownStreams:
    """Streams of one known sender."""

    def __init__(self, rig: EmulatedRig, iq: IqFill, traffic: NumberedTraffic | None = None) -> None:
        line = option_named(rig.option)
        self.points = (StreamPoint(rig.known_point, line.name, LineForm.BITS),)
        self.sender = KnownSender(rig.sender_settings(rig.option), iq, traffic)
        self._way = _Way(line, rig.behaviour, 1237, rig.plan.seed + 50)
        self.after_last = 0

    def read(self) -> Iterator[tuple[int, Chunk]]:
        offset = 0
        while True:
            at = self.sender.next_hyperframe
            bits = self._way.carry(self.sender.batch(CHUNK_HYPERFRAMES))
            if not self.sender.waiting:
                self.after_last += CHUNK_HYPERFRAMES
            yield 0, Chunk(bits, at * 1_000_000_000 // HYPERFRAMES_PER_SECOND, offset)
            offset += len(bits)

    def inject(self, text: str) -> Injection:
        raise NotObservable("no fault is injected into known traffic")


class _Numbered:
    """A `NumberedFrames` of a known sender."""

    modulus = 0

    def __init__(self, streams: _KnownStreams, seed: int) -> None:
        self.streams: Streams = streams
        self._known = streams
        self._seed = seed

    def number(self, plane: Plane, data: bytes) -> int | None:
        return number_of_frame(plane, data, self._seed)

    def sent(self, plane: Plane) -> int | None:
        return self._known.sender.handed.get(plane)

    @property
    def done(self) -> bool:
        return self._known.after_last >= _FLUSH_HYPERFRAMES


@dataclass(frozen=True, slots=True)
class _KnownTones(ToneStreams):
    fill: IqFill

    def sent(self, first: int, n: int) -> U8:
        return self.fill.octets(first, n)


class EmulatedRig:
    """`emulated` or `emulated:pair`, behaving as the plan says; InputError for settings that cannot be."""

    touches: Mapping[str, str] = {}

    def __init__(self, plan: AcceptancePlan) -> None:
        self.plan = plan
        self.pair = is_pair(plan.source)
        self.behaviour = plan.emulated
        self.option = plan.own_option
        self._rate: float | None = None
        try:
            for option in {self.option, *plan.rates}:
                EmulatedSender(self.sender_settings(option))
        except DecodersError as error:
            raise InputError(str(error)) from None
        for text in self.behaviour.faults:
            parse_fault(text)

    @property
    def description(self) -> str:
        ends = "REC-A and RE-1, two fibres" if self.pair else "REC-A, looped back through a fibre"
        return f"emulated: Saltmarsh {ends}"

    @property
    def known_point(self) -> str:
        return "REC-A>RE-1" if self.pair else "REC-A"

    @property
    def settings(self) -> Mapping[str, str]:
        sender = self.sender_settings(self.option)
        return {
            "link": self.description,
            "line bit rate option": f"{self.option} ({option_named(self.option).line_rate_bps / 1e6:g} Mbit/s)",
            "pointer p": str(sender.pointer_p),
            "HDLC rate code": str(sender.hdlc_rate_code),
            "seed": str(self.plan.seed),
            "fibre": f"{self.behaviour.length_m:g} m each way",
        }

    def sender_settings(self, option: str) -> SenderSettings:
        code = self.plan.hdlc_rate_code
        code = DEFAULT_RATE_CODES.get(option, 6) if code is None else code
        return SenderSettings(option=option, pointer_p=self.plan.pointer_p, hdlc_rate_code=code)

    def check_present(self) -> None:
        """It always is."""

    def hyperframes_per_second(self) -> float:
        """Measured once, with a decoder behind it."""
        if self._rate is None:
            with self.watch() as streams:
                decoders = [point_decoder(point) for point in streams.points]
                began, most = 0.0, _TIMED_TURNS * len(decoders)
                for turn, (i, chunk) in enumerate(streams.read()):
                    decoders[i].receive(chunk.data)
                    if turn == most // 2 - 1:  # what is made once, is made by now
                        began = time.perf_counter()
                    elif turn == most - 1:
                        break
                passed = _TIMED_TURNS // 2 * CHUNK_HYPERFRAMES
                self._rate = passed / (time.perf_counter() - began)
        return self._rate

    @contextmanager
    def watch(self, *, option: str | None = None) -> Iterator[Streams]:
        yield _Senders(self, option or self.option, dark=self._dark(0, 0))

    def _dark(self, downlink: int, uplink: int) -> tuple[int, ...]:
        return (downlink, uplink) if self.pair else (downlink,)

    @contextmanager
    def restart(self, reset: int, *, option: str | None = None) -> Iterator[Restart]:
        down = _LONGER_DARK if self.pair else _DARK
        dark = self._dark(down, _DARK)
        streams = _Senders(
            self, option or self.option, dark=dark, chunk=_FINE_HYPERFRAMES, reset=reset + 1, faults=False
        )
        yield Restart(streams, dict(enumerate(dark)), 1 if self.pair else None)

    @contextmanager
    def looped(self, which: str) -> Iterator[tuple[Streams, float | None]]:
        if self.pair:
            raise NotObservable("REC-A and RE-1 are joined; a loopback needs one board")
        board = self._board(1, length_m=0.0 if which == "internal" else self.behaviour.length_m)
        yield _Senders(self, self.option, dark=self._dark(0, 0)), board.measure().compensated_ns

    @contextmanager
    def pn(self, order: int) -> Iterator[Streams]:
        yield _KnownStreams(self, PnFill(option_named(self.option), order))

    @contextmanager
    def numbered(self, planes: Sequence[str], frames: int) -> Iterator[NumberedFrames]:
        line = option_named(self.option)
        traffic = NumberedTraffic(
            planes_named(planes), frames, self.plan.seed, self.behaviour.drop_frame_every
        )
        streams = _KnownStreams(self, ToneFill(line, self.plan.seed), traffic)
        for plane in traffic.planes:
            if not streams.sender.octets_of(plane):
                raise NotObservable(f"the link has no {plane.value} channel")
        yield _Numbered(streams, self.plan.seed)

    @contextmanager
    def tones(self) -> Iterator[ToneStreams]:
        line = option_named(self.option)
        nominal = ToneFill(line, self.plan.seed)
        sent = (
            ToneFill(line, self.plan.seed, self.behaviour.iq_gain_db)
            if self.behaviour.iq_gain_db
            else nominal
        )
        streams = _KnownStreams(self, sent)
        yield _KnownTones(streams, iq_map_sent(line), nominal.tone_hz, ToneFill.LEVEL_DBFS, True, nominal)

    @contextmanager
    def campaign(self) -> Iterator[CampaignLink]:
        plan = self.plan
        try:
            conditions = LinkConditions(
                source=plan.source,
                option=self.option,
                pointer_p=plan.pointer_p,
                hdlc_rate_code=plan.hdlc_rate_code,
                seed=plan.seed,
            )
        except DecodersError as error:
            raise InputError(str(error)) from None
        name = self.behaviour.receiver
        yield CampaignLink(conditions, None, receiver_named(name) if name else OWN_DECODER)

    def _board(self, resets: int, length_m: float | None = None) -> EmulatedBoard:
        behaviour = self.behaviour
        return EmulatedBoard(
            BoardSettings(
                option=self.option,
                pair=self.pair,
                seed=self.plan.seed,
                compensation=Compensation(behaviour.compensation),
                step_clocks=behaviour.step_clocks if resets > 1 else 0,
                step_after=resets // 2,
                drift_clocks=behaviour.drift_clocks if resets > 1 else 0.0,
                drift_resets=resets,
                length_m=behaviour.length_m if length_m is None else length_m,
            )
        )

    @contextmanager
    def delay_board(self, resets: int) -> Iterator[ResettableBoard]:
        yield self._board(resets)
