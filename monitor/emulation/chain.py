"""An emulated chain: REC-A, RE-1, RE-2, RE-3, each a node that passes both directions on; a fault on any segment.

All nodes run by one clock, so places in time are counted in symbols; alignment offsets and elastic buffers differ
from node to node by the seed. The chain is in operation when it begins: in sync everywhere, no alarm. Seeded, and the
same whatever the steps in which it is advanced; reads no clock. 8B/10B options.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from decoders.errors import SettingsError
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.linerates import EIGHT_TEN, HYPERFRAMES_PER_FRAME, LineRateOption, option_named
from decoders.link.settings import SenderSettings
from decoders.link_delay.delay import fibre_delay_ns, unit_interval_ns

from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Context, Fault
from ..faults.segments import (
    PassedOn,
    SegmentInjection,
    fault_and_segment,
    moved_symbols,
    segment_expectations,
)
from ..sources.names import Segment
from .emulated_link import DEFAULT_RATE_CODES
from .node import FrameBuffer, Node, NodePorts
from .node_output import NodeOutput
from .node_receiver import NodeReceiver
from .node_sender import CmRelay, EndSender, RelaySender
from .node_timing import ELASTIC_SYMBOLS, NodeTiming
from .traffic import RADIO_HEADS, RE_1

__all__ = ["DEFAULT_NODES", "ChainSettings", "EmulatedChain", "SegmentDelay"]

DEFAULT_NODES = ("REC-A", "RE-1", "RE-2", "RE-3")
DEFAULT_LENGTHS_M = (150.0, 420.0, 1100.0)
PIPELINE_CLOCKS = 12
"""Parallel clocks through the transmitter and the receiver of a segment."""
MOST_NODES = 16
RESET_HYPERFRAMES = 4
"""For so long a transmitter that is reset sends nothing."""
_CHUNK_HYPERFRAMES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSettings:
    """`lengths_m` is the fibre of each hop; given too few, the last one repeats. Clocks are characters.

    `toffset_clocks` is that of the last radio head, `through_clocks` the delay of the others each way, without the
    elastic buffer. `load`, `pointer_p`, `hdlc_rate_code` as elsewhere. `cm_relay`: how nodes pass C&M on;
    `own_vendor`: they put vendor specific octets of their own in place of those received.
    """

    option: str = "2"
    nodes: tuple[str, ...] = DEFAULT_NODES
    seed: int = 1
    pointer_p: int = 40
    hdlc_rate_code: int | None = None
    lengths_m: tuple[float, ...] = DEFAULT_LENGTHS_M
    toffset_clocks: int = 416
    through_clocks: int = 96
    load: float = 0.5
    cm_relay: CmRelay = CmRelay.FRAMES
    own_vendor: bool = False
    first_bfn: int = 0
    first_hfn: int = 0

    def checked(self) -> LineRateOption:
        """The option; InputError for settings that no chain can have."""
        try:
            option = option_named(self.option)
            for length in self.lengths_m:
                fibre_delay_ns(length)
        except SettingsError as error:
            raise InputError(str(error)) from None
        if option.line_code != EIGHT_TEN:
            raise InputError(
                f"emulated:chain has 8B/10B nodes, and option {option.name} is 64B/66B",
                hint="choose option 1 to 7",
            )
        if not 2 <= len(self.nodes) <= MOST_NODES or len(set(self.nodes)) != len(self.nodes):
            raise InputError(f"a chain has 2 to {MOST_NODES} nodes of different names")
        if not self.lengths_m or min(self.toffset_clocks, self.through_clocks) < 2 * ELASTIC_SYMBOLS:
            raise InputError(f"a node's delays are {2 * ELASTIC_SYMBOLS} clocks or more")
        return option

    @property
    def sender(self) -> SenderSettings:
        code = DEFAULT_RATE_CODES.get(self.option, 6) if self.hdlc_rate_code is None else self.hdlc_rate_code
        return SenderSettings(option=self.option, pointer_p=self.pointer_p, hdlc_rate_code=code)


@dataclass(frozen=True, slots=True)
class SegmentDelay:
    """`line_bits` of fibre and transceivers; the receiver's word boundary lies `alignment_offset` bits before that.

    `symbols` is what the receiver's clock counts of it.
    """

    line_bits: int
    alignment_offset: int

    @property
    def symbols(self) -> int:
        return round((self.line_bits - self.alignment_offset) / 10)


class _Line:
    """A segment's fibre: what is sent comes out later; nothing (dark) comes before it."""

    def __init__(self, dark: int) -> None:
        self._more = dark

    def move(self, symbols: int) -> None:
        """What comes now comes so many symbols later; sooner, where they are negative."""
        self._more += symbols

    def carry(self, symbols: NDArray[np.uint16]) -> NDArray[np.uint16]:
        more, self._more = self._more, 0
        if more < 0:
            return symbols[-more:]
        return np.concatenate((np.zeros(more, np.uint16), symbols)) if more else symbols


class _Point:
    """What a receiver has got and nobody has asked for yet."""

    def __init__(self, skip: int) -> None:
        self._skip = skip
        self._parts: list[NDArray[np.uint16]] = []
        self.symbols = 0

    def put(self, symbols: NDArray[np.uint16]) -> None:
        if self._skip:
            skipped = min(self._skip, len(symbols))
            self._skip -= skipped
            symbols = symbols[skipped:]
        self._parts.append(symbols)
        self.symbols += len(symbols)

    def take(self, count: int) -> NDArray[np.uint16]:
        whole = np.concatenate(self._parts)
        self._parts, self.symbols = [whole[count:]], len(whole) - count
        return whole[:count]


class EmulatedChain:
    """The chain; a point is the receiver at the end of a segment, and is named by it.

    What the points get begins at one instant, when the REC's hyperframe of `first_bfn` and `first_hfn` begins.
    Hyperframes of a point are counted as a decoder of its symbols does: from the first whole one.
    """

    def __init__(self, option: str = "2", nodes: Sequence[str] = DEFAULT_NODES, **settings: object) -> None:
        given = ChainSettings(option=option, nodes=tuple(nodes), **settings)  # type: ignore[arg-type]
        self.settings = given
        self.option = given.checked()
        self.injections: list[SegmentInjection] = []
        self._size = size = self.option.hyperframe_octets
        names = given.nodes
        down = [Segment(a, b) for a, b in pairwise(names)]
        up = [segment.reverse for segment in reversed(down)]
        self.points: tuple[Segment, ...] = (*down, *up)
        self._down, self._up = down, up
        self._random = np.random.default_rng(given.seed)
        self._delays = self._segment_delays()
        self.delays: Mapping[Segment, SegmentDelay] = MappingProxyType(self._delays)
        self.through: Mapping[str, tuple[int, int]] = MappingProxyType(self._through_delays())
        self._started = self._starts()
        self.starts: Mapping[Segment, int] = MappingProxyType(self._started)
        whole = math.ceil(max(self.starts.values()) / size)
        self._ahead = whole + 4
        self.alarm_latency_hyperframes = _CHUNK_HYPERFRAMES + 2 * len(names) + whole + 2
        self._nodes: dict[str, Node] = {}
        self._outputs: dict[Segment, NodeOutput] = {}
        self._lines: dict[Segment, _Line] = {}
        self._points = {segment: _Point(self._ahead * size) for segment in self.points}
        self._moved = dict.fromkeys(self.points, 0)
        self._build()

    # --- what it is made of -------------------------------------------------------------------------------

    def _segment_delays(self) -> dict[Segment, SegmentDelay]:
        delays = {}
        for hop, segment in enumerate(self._down):
            ui = fibre_delay_ns(self.length_m(hop)) / unit_interval_ns(self.option)
            bits = round(ui) + 10 * PIPELINE_CLOCKS
            for direction in (segment, segment.reverse):
                delays[direction] = SegmentDelay(bits, int(self._random.integers(0, 10)))
        return {segment: delays[segment] for segment in self.points}

    def length_m(self, hop: int) -> float:
        """Fibre of a hop, counted from 0 at the REC."""
        lengths = self.settings.lengths_m
        return lengths[min(hop, len(lengths) - 1)]

    def _through_delays(self) -> dict[str, tuple[int, int]]:
        """Symbols through each node down and up; of the last one Toffset alone, of the REC nothing."""
        through = {self.settings.nodes[0]: (0, 0)}
        for name in self.settings.nodes[1:-1]:
            filled = self._random.integers(0, ELASTIC_SYMBOLS, 2)
            through[name] = tuple((self.settings.through_clocks + filled).tolist())
        through[self.settings.nodes[-1]] = (0, self.settings.toffset_clocks)
        return through

    def _starts(self) -> dict[Segment, int]:
        """For each point: symbols from the start of a hyperframe at the REC to its start there."""
        starts, at = {}, 0
        for segment in self._down:
            at += self.through[segment.sender][0] + self.delays[segment].symbols
            starts[segment] = at
        for segment in self._up:
            at += self.through[segment.sender][1] + self.delays[segment].symbols
            starts[segment] = at
        return starts

    def _build(self) -> None:
        given, option, size = self.settings, self.option, self._size
        start = given.first_bfn * HYPERFRAMES_PER_FRAME + given.first_hfn - self._ahead
        number = start % NUMBER_MODULUS
        base = given.sender
        bfn, hfn = divmod(number, HYPERFRAMES_PER_FRAME)
        sender = SenderSettings(base.option, base.pointer_p, base.hdlc_rate_code, bfn=bfn, hfn=hfn)
        last = given.nodes[-1]
        heads = {station.name: station for station in RADIO_HEADS}
        for i, segment in enumerate(self.points):
            seed = given.seed + 100 * i
            uplink = segment in self._up
            if segment.sender in (given.nodes[0], last):
                output = NodeOutput(
                    EndSender(
                        sender,
                        seed,
                        load=given.load,
                        uplink=uplink,
                        every_plane=True,
                        radio_head=heads.get(last, RE_1),
                    )
                )
            else:
                relay = RelaySender(
                    sender, seed, uplink=uplink, relay=given.cm_relay, own_vendor=given.own_vendor
                )
                output = NodeOutput(relay)
            self._outputs[segment] = output
            self._lines[segment] = _Line(self.starts[segment])
        for name in given.nodes:
            self._nodes[name] = self._node(name, number, size, option)

    def _node(self, name: str, number: int, size: int, option: LineRateOption) -> Node:
        down_in = next((s for s in self._down if s.receiver == name), None)
        down_out = next((s for s in self._down if s.sender == name), None)
        up_in = next((s for s in self._up if s.receiver == name), None)
        up_out = next((s for s in self._up if s.sender == name), None)

        def receiver(segment: Segment | None) -> NodeReceiver | None:
            return None if segment is None else NodeReceiver(option, first_start=self.starts[segment])

        ports = NodePorts(
            receiver(down_in),
            None if down_out is None else self._outputs[down_out],
            receiver(up_in),
            None if up_out is None else self._outputs[up_out],
        )
        latency = self.alarm_latency_hyperframes * size
        if down_in is None or up_out is None:
            return Node(name, ports, number=number, alarm_latency=latency)
        through_down, through_up = self.through[name]
        first = self.starts[down_in] + through_down
        sent_up = self.starts[up_out] - self.delays[up_out].symbols
        return Node(
            name,
            ports,
            timing=NodeTiming(size, through_down, first, number),
            turn=sent_up - first,
            buffer=FrameBuffer(through_up),
            alarm_latency=latency,
        )

    # --- time ---------------------------------------------------------------------------------------------

    def step(self, hyperframes: int) -> dict[Segment, NDArray[np.uint16]]:
        """What each receiver got in the next so many hyperframes: symbols, bit 0 is a, as in form `symbols`."""
        count = hyperframes * self._size
        while any(point.symbols < count for point in self._points.values()):
            self._advance()
        return {segment: point.take(count) for segment, point in self._points.items()}

    def _advance(self) -> None:
        symbols = self._nodes[self.settings.nodes[0]].send(_CHUNK_HYPERFRAMES)
        for segment in self._down:
            symbols = self._carry(segment, symbols)
            symbols = self._nodes[segment.receiver].receive_down(symbols)
        symbols = self._nodes[self.settings.nodes[-1]].receive_up(symbols)
        for segment in self._up:
            symbols = self._carry(segment, symbols)
            symbols = self._nodes[segment.receiver].receive_up(symbols)

    def _carry(self, segment: Segment, symbols: NDArray[np.uint16]) -> NDArray[np.uint16]:
        received = self._lines[segment].carry(symbols)
        self._points[segment].put(received)
        return received

    def reset(self, name: str) -> None:
        """Reset a node's transceivers: they send nothing for a while, and its receivers find another word boundary.

        The delay of the lines to it may change by a symbol, which its elastic buffers take. InputError for a node
        that the chain does not have.
        """
        if name not in self._nodes:
            raise InputError(f"node {name!r} is not in the chain", hint=f"there are {', '.join(self._nodes)}")
        self._nodes[name].reset(RESET_HYPERFRAMES)
        for segment in (point for point in self.points if point.receiver == name):
            before = self._delays[segment]
            after = SegmentDelay(before.line_bits, int(self._random.integers(0, 10)))
            self._delays[segment] = after
            self._started[segment] += after.symbols - before.symbols
            self._lines[segment].move(after.symbols - before.symbols)

    def first_hyperframe(self, segment: Segment) -> tuple[int, int]:
        """(BFN, HFN) of a point's hyperframe 0."""
        number = self.settings.first_bfn * HYPERFRAMES_PER_FRAME + self.settings.first_hfn
        number -= self.starts[segment] // self._size
        return divmod(number % NUMBER_MODULUS, HYPERFRAMES_PER_FRAME)

    # --- faults -------------------------------------------------------------------------------------------

    def point_named(self, text: str) -> Segment:
        """The segment of that name; InputError where the chain has none."""
        segment = Segment.parse(text)
        if segment not in self.points:
            names = ", ".join(point.name for point in self.points)
            raise InputError(f"segment {text!r} is not in the chain", hint=f"there are {names}")
        return segment

    def checked(self, text: str) -> tuple[Segment, Fault]:
        """The segment and the fault of a text; InputError where they cannot be in this chain."""
        bare, name = fault_and_segment(text)
        if name is None:
            names = ", ".join(point.name for point in self.points)
            raise InputError(f"fault {text!r}: no segment is named", hint=f"add segment=, one of {names}")
        segment = self.point_named(name)
        fault = parse_fault(bare)
        self._outputs[segment].sender.check(fault)
        return segment, fault

    def inject(self, text: str) -> SegmentInjection:
        """Put a fault in on its segment at the hyperframe it names, as its receiver counts them, or at the next.

        InputError where it cannot be, and where that hyperframe is past.
        """
        segment, fault = self.checked(text)
        output = self._outputs[segment]
        offset = self._ahead - self.starts[segment] // self._size
        first = output.sender.next_hyperframe - offset
        at = max(first, 0) if fault.hyperframe is None else fault.hyperframe
        if at < first:
            raise InputError(f"fault {text}: hyperframe {at} is past", hint=f"the next one is {first}")
        here = Fault(fault.kind, at, fault.values)
        output.sender.schedule(Fault(fault.kind, at + offset, fault.values))
        settings = output.sender.settings
        context = Context(
            self.option, pointer_p=settings.pointer_p, hdlc_rate_code=settings.hdlc_rate_code, bits=False
        )
        separator = "," if here.values else ":"
        injection = SegmentInjection(
            at,
            f"{here.text}{separator}segment={segment.name}",
            here.expected(context),
            segment=segment,
            expectations=MappingProxyType(
                segment_expectations(here, context, segment, self.settings.nodes, self._passed_on(segment))
            ),
        )
        self.injections.append(injection)
        self._moved[segment] += moved_symbols(fault)
        return injection

    def _passed_on(self, segment: Segment) -> PassedOn:
        return PassedOn(
            cm_octets=self.settings.cm_relay is CmRelay.OCTETS,
            vendor=not self.settings.own_vendor,
            elastic_symbols=ELASTIC_SYMBOLS,
            moved_symbols=self._moved[segment],
            alarm_latency_hyperframes=self.alarm_latency_hyperframes,
        )
