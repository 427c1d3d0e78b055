"""The emulated chain as a rig: every point of REC-A, RE-1, RE-2 and RE-3 is watched at once.

The chain is in operation when it begins, so a start is a segment that was dark. What goes in is what the first
receiver of the downlink gets; what comes out, what the last one gets.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace

import numpy as np

from decoders.arrays import U8
from decoders.events import Event, FrameReceived, FrameStatus, Plane
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from decoders.link.decoder import HyperframeBlock

from ..campaign.live_bench import LiveBench
from ..campaign.receivers import OWN_DECODER
from ..delay.samples import ResettableBoard
from ..emulation.chain import DEFAULT_LENGTHS_M, DEFAULT_NODES, EmulatedChain
from ..emulation.chain_source import ChainPointSource, chain_sources
from ..emulation.sender import iq_map_sent
from ..errors import InputError
from ..faults.segments import fault_and_segment
from ..sources.names import Segment
from ..sources.source import Chunk, Injection
from .iq_integrity import numbers_of
from .known_traffic import ToneFill
from .plan import AcceptancePlan, EmulatedBehaviour
from .results import NotObservable
from .rig import CampaignLink, NumberedFrames, Restart, StreamPoint, Streams, ToneStreams, point_decoder
from .rig_emulated import EmulatedRig

__all__ = ["ChainRig", "ForwardedFrames"]

_STEP = 10
_FINE_STEP = 2
_DARK = 24
_LOAD = 0.5
_SETTLE = 16
_FLUSH_HYPERFRAMES = 300
_KEPT_NUMBERS = 400
_TIMED_STEPS = 4
_DAMAGED = b""
"""In place of a frame that the first receiver did not get whole: none that comes is like it."""
_FAULTS_ONLY = frozenset(("faults", "length_m"))


class _ChainStreams:
    """What some points of a chain get, step by step; faults go onto the segment of the first one."""

    def __init__(self, chain: EmulatedChain, points: Sequence[Segment], step: int = _STEP) -> None:
        self.chain = chain
        self.segments = tuple(points)
        self.points = tuple(StreamPoint(p.name, chain.option.name, LineForm.SYMBOLS) for p in points)
        self._step = step

    def read(self) -> Iterator[tuple[int, Chunk]]:
        sent = offset = 0
        while True:
            got = self.chain.step(self._step)
            at = sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND
            for i, segment in enumerate(self.segments):
                data = got[segment].astype("<u2").tobytes()
                self.took(got)
                yield i, Chunk(data, at, offset)
            sent += self._step
            offset += len(data)

    def took(self, got: Mapping[Segment, np.ndarray[tuple[int], np.dtype[np.uint16]]]) -> None:
        """What every point got in a step; for those that look at others, too."""

    def inject(self, text: str) -> Injection:
        separator = "," if ":" in text else ":"
        return self.chain.inject(f"{text}{separator}segment={self.segments[0].name}")


class ForwardedFrames:
    """Frames at the end of a chain, numbered by their place in what the first receiver got.

    `expect` takes what went in, `number` what came out, in their orders. Frames that were on their way before are
    told from those that were never sent by coming first.
    """

    def __init__(self) -> None:
        self._sent: dict[Plane, list[bytes]] = {Plane.HDLC: [], Plane.ETHERNET: []}
        self._next = {Plane.HDLC: 0, Plane.ETHERNET: 0}
        self._begun = {Plane.HDLC: False, Plane.ETHERNET: False}

    def expect(self, plane: Plane, data: bytes) -> None:
        self._sent[plane].append(data)

    def count(self, plane: Plane) -> int:
        return len(self._sent[plane])

    def number(self, plane: Plane, data: bytes) -> int | None:
        """The number of the frame that this is: the next one that is alike, else one before; None for none."""
        sent, at = self._sent[plane], self._next[plane]
        for number in range(at, len(sent)):
            if sent[number] == data:
                self._next[plane], self._begun[plane] = number + 1, True
                return number
        for number in range(at - 1, max(-1, at - 64), -1):
            if sent[number] == data:
                return number
        return None

    def came(self, plane: Plane) -> int:
        """How far the frames have come: the number after the last that was there."""
        return self._next[plane]

    def on_its_way_before(self, plane: Plane) -> bool:
        return not self._begun[plane]


class _ChainFrames:
    """The `NumberedFrames` of a chain: the last receiver of the downlink against the first.

    What the first one gets damaged, or not at all, counts as sent and never arrives.
    """

    modulus = 0

    def __init__(self, chain: EmulatedChain, planes: Sequence[str], frames: int) -> None:
        down = [point for point in chain.points if _is_downlink(chain, point)]
        self._first, last = down[0], down[-1]
        self._known = ForwardedFrames()
        self._wanted = frames
        self._planes = [Plane(name) for name in planes]
        self._since = 0
        self._missed = 0
        decoder = point_decoder(StreamPoint(self._first.name, chain.option.name, LineForm.SYMBOLS))
        known = self

        class Tapped(_ChainStreams):
            def took(self, got: Mapping[Segment, np.ndarray[tuple[int], np.dtype[np.uint16]]]) -> None:
                events = decoder.receive(got[known.first].astype("<u2").view(np.uint8))
                known.collect(events, decoder.hyperframes_missed)

        self.streams: Streams = Tapped(chain, [last])

    @property
    def first(self) -> Segment:
        return self._first

    def collect(self, events: Sequence[Event], missed: int) -> None:
        """Frames that the first receiver got; after the last that is wanted no more are looked at.

        `missed` hyperframes have passed it without sync.
        """
        for event in events:
            if isinstance(event, FrameReceived) and event.plane in self._planes:
                good = event.status is FrameStatus.GOOD
                self._expect(event.plane, event.data if good else _DAMAGED)
        if missed > self._missed:
            for plane in self._planes:
                self._expect(plane, _DAMAGED)
        self._missed = missed
        if self._full:
            self._since += _STEP

    def _expect(self, plane: Plane, data: bytes) -> None:
        count = self._known.count(plane)
        if count < self._wanted and (count or data is not _DAMAGED):  # the very first one may be cut
            self._known.expect(plane, data)

    @property
    def _full(self) -> bool:
        return all(self._known.count(plane) >= self._wanted for plane in self._planes)

    def number(self, plane: Plane, data: bytes) -> int | None:
        if self._known.came(plane) >= self._wanted:
            return -1
        number = self._known.number(plane, data)
        return -1 if number is None and self._known.on_its_way_before(plane) else number

    def sent(self, plane: Plane) -> int | None:
        return self._known.count(plane)

    @property
    def done(self) -> bool:
        return self._since >= _FLUSH_HYPERFRAMES


@dataclass(frozen=True, slots=True)
class _ChainTones(ToneStreams):
    seen: Mapping[int, U8]

    def sent(self, first: int, n: int) -> U8:
        rows = [self.seen.get((first + i) % NUMBER_MODULUS) for i in range(n)]
        size = next(iter(self.seen.values())).size
        return np.stack([np.zeros(size, np.uint8) if row is None else row for row in rows])


class _LiveChainPoint:
    """A point of a chain as a bench takes it: nothing is ever lost on the way from it."""

    hyperframes_missing = octets_dropped = 0
    control_only = fec = False

    def __init__(self, source: ChainPointSource) -> None:
        self._source = source
        self.description, self.form, self.option = source.description, source.form, source.option
        self.warnings = source.warnings

    def chunks(self) -> Iterator[Chunk]:
        return self._source.chunks()

    def inject(self, text: str) -> Injection:
        done = self._source.inject(text)
        return Injection(done.hyperframe, fault_and_segment(done.text)[0], done.expected)

    def close(self) -> None:
        self._source.close()


def _is_downlink(chain: EmulatedChain, point: Segment) -> bool:
    names = chain.settings.nodes
    return names.index(point.sender) < names.index(point.receiver)


class ChainRig:
    """`emulated:chain`; InputError for settings that it cannot have."""

    touches: Mapping[str, str] = {}

    def __init__(self, plan: AcceptancePlan) -> None:
        self.plan = plan
        self.option = plan.own_option
        self._rate: float | None = None
        usual = EmulatedBehaviour()
        for name in EmulatedBehaviour.__slots__:
            if name not in _FAULTS_ONLY and getattr(plan.emulated, name) != getattr(usual, name):
                raise InputError(f"emulated.{name} is for emulated and emulated:pair; the chain takes faults")
        for option in {self.option, *plan.rates}:
            self._chain(option, faults=False)
        self._chain(self.option)
        self._pair = EmulatedRig(
            replace(plan, source="emulated:pair", emulated=replace(plan.emulated, faults=()))
        )

    def _chain(self, option: str | None = None, *, seed: int = 0, faults: bool = True) -> EmulatedChain:
        plan = self.plan
        usual = plan.emulated.length_m == EmulatedBehaviour().length_m
        try:
            chain = EmulatedChain(
                option=option or self.option,
                seed=plan.seed + seed,
                pointer_p=plan.pointer_p,
                hdlc_rate_code=plan.hdlc_rate_code,
                load=_LOAD,
                lengths_m=DEFAULT_LENGTHS_M if usual else (plan.emulated.length_m,),
            )
        except ValueError as error:  # settings that are not valid
            raise InputError(str(error)) from None
        for text in plan.emulated.faults if faults else ():
            chain.inject(text)
        return chain

    @property
    def description(self) -> str:
        return f"emulated: Saltmarsh chain {' - '.join(DEFAULT_NODES)}"

    @property
    def settings(self) -> Mapping[str, str]:
        chain = self._chain(faults=False)
        sender = chain.settings.sender
        lengths = ", ".join(f"{length:g} m" for length in chain.settings.lengths_m)
        return {
            "link": self.description,
            "points": ", ".join(point.name for point in chain.points),
            "line bit rate option": f"{self.option} ({option_named(self.option).line_rate_bps / 1e6:g} Mbit/s)",
            "pointer p": str(sender.pointer_p),
            "HDLC rate code": str(sender.hdlc_rate_code),
            "seed": str(self.plan.seed),
            "fibres": lengths,
        }

    def check_present(self) -> None:
        """It always is."""

    def hyperframes_per_second(self) -> float:
        """Measured once, with a decoder at every point."""
        if self._rate is None:
            chain = self._chain(faults=False)
            streams = _ChainStreams(chain, chain.points)
            decoders = [point_decoder(point) for point in streams.points]
            began = 0.0
            for turn, (i, chunk) in enumerate(streams.read()):
                decoders[i].receive(chunk.data)
                if turn == len(decoders) * _TIMED_STEPS // 2 - 1:
                    began = time.perf_counter()
                elif turn == len(decoders) * _TIMED_STEPS - 1:
                    break
            self._rate = _TIMED_STEPS // 2 * _STEP / (time.perf_counter() - began)
        return self._rate

    @contextmanager
    def watch(self, *, option: str | None = None) -> Iterator[Streams]:
        chain = self._chain(option)
        yield _ChainStreams(chain, chain.points)

    @contextmanager
    def restart(self, reset: int, *, option: str | None = None) -> Iterator[Restart]:
        """A segment of the downlink is dark for a while, another one each time; then everything comes up again."""
        chain = self._chain(option, seed=reset, faults=False)
        down = [point for point in chain.points if _is_downlink(chain, point)]
        segment = down[reset % len(down)]
        chain.step(_SETTLE)
        chain.inject(f"line.dark:hyperframes={_DARK},segment={segment.name}")
        streams = _ChainStreams(chain, chain.points, _FINE_STEP)
        at, answer = chain.points.index(segment), chain.points.index(segment.reverse)
        yield Restart(streams, {at: _DARK}, answer, instead="a segment of the downlink was dark")

    def looped(self, which: str) -> AbstractContextManager[tuple[Streams, float | None]]:
        raise NotObservable("the nodes of a chain are joined; a loopback needs one board")

    def pn(self, order: int) -> AbstractContextManager[Streams]:
        raise NotObservable("the chain carries tones in its IQ data and no PN sequence")

    @contextmanager
    def numbered(self, planes: Sequence[str], frames: int) -> Iterator[NumberedFrames]:
        chain = self._chain()
        sender = chain.settings.sender
        octets = {
            "hdlc": chain.option.hdlc_octets(sender.hdlc_rate_code) or 0,
            "ethernet": chain.option.ethernet_octets(sender.pointer_p),
        }
        if lacking := [name for name in planes if not octets[name]]:
            raise NotObservable(f"the link has no {lacking[0]} channel")
        yield _ChainFrames(chain, planes, frames)

    @contextmanager
    def tones(self) -> Iterator[ToneStreams]:
        chain = self._chain()
        down = [point for point in chain.points if _is_downlink(chain, point)]
        seen: dict[int, U8] = {}
        order: deque[int] = deque()

        def on_block(block: HyperframeBlock) -> None:
            iq = block.octets[:, :, 1:, :].reshape(len(block.octets), -1)
            for number, row in zip(numbers_of(block.octets).tolist(), iq, strict=True):
                seen[number] = row.copy()
                order.append(number)
            while len(order) > _KEPT_NUMBERS:
                seen.pop(order.popleft(), None)

        decoder = point_decoder(StreamPoint(down[0].name, chain.option.name, LineForm.SYMBOLS), on_block)

        class Tapped(_ChainStreams):
            def took(self, got: Mapping[Segment, np.ndarray[tuple[int], np.dtype[np.uint16]]]) -> None:
                decoder.receive(got[down[0]].astype("<u2").view(np.uint8))

        nominal = ToneFill(chain.option, self.plan.seed)
        streams = Tapped(chain, [down[-1]])
        unseen = f"IQ data are held to what {down[0].name} received: what that segment damages does not show"
        streams.points = tuple(replace(point, unseen=(unseen,)) for point in streams.points)
        yield _ChainTones(
            streams,
            iq_map_sent(chain.option),
            nominal.tone_hz,
            ToneFill.LEVEL_DBFS,
            True,
            seen,
        )

    @contextmanager
    def campaign(self) -> Iterator[CampaignLink]:
        """Faults on the first segment, judged by a receiver at its end."""
        chain = self._chain(faults=False)
        source = chain_sources(chain, [chain.points[0]], chunk_hyperframes=_STEP)[chain.points[0]]
        try:
            bench = LiveBench(_LiveChainPoint(source), self.plan.source)
            yield CampaignLink(bench.conditions, bench, OWN_DECODER)
        finally:
            source.close()

    @contextmanager
    def delay_board(self, resets: int) -> Iterator[ResettableBoard]:
        """The first hop: REC-A and RE-1; the chain's transceivers are never reset."""
        with self._pair.delay_board(resets) as board:
            yield board
