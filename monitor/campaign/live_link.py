"""The line data of a running board: where they stand, and a fresh receiver that leaves its own traffic out."""

from __future__ import annotations

import shlex
import time
from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, replace
from typing import Protocol

from decoders.counters import COUNTERS
from decoders.events import FrameReceived, FrameStatus, OctetsChanged, Plane
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import LinkSettings

from ..emulation.line_settings import LineSettings
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.injector import octet_position
from ..faults.kinds import Layer
from ..faults.verdict import GOOD_FRAMES, Observation, Timed
from ..formats.forms import Form, stream_octets
from ..sources.source import Chunk, FaultySource, Source, received
from .campaign import LineCount, frame_excerpt
from .conditions import LEAD_HYPERFRAMES, line_not_proven, not_shown_in, sent_line_words, tail_hyperframes
from .results import Excerpt
from .transmission import PlacedFault, Transmission, around

__all__ = ["TRAFFIC_COUNTERS", "LiveConditions", "LiveLink", "LiveSource", "Place", "Trial"]

PATIENCE_S = 5.0
"""How long a board may send no line data."""
_REACH = 16
_GOOD = frozenset(GOOD_FRAMES.values())
TRAFFIC_COUNTERS = {Plane.VENDOR: "vendor_changes", Plane.CTRL_AXC: "ctrl_axc_changes"}
"""Planes whose octets may change with what a board has to say, and their counters."""
Place = tuple[str, int, int, int]
"""Plane, Ns, Xs, Y of a control octet."""


class LiveSource(Source, FaultySource, Protocol):
    """A board: line data, faults, and how much of the line data did not come."""

    @property
    def hyperframes_missing(self) -> int: ...
    @property
    def octets_dropped(self) -> int: ...

    @property
    def control_only(self) -> bool: ...

    @property
    def fec(self) -> bool:
        """Whether the link has RS-FEC."""
        ...


@dataclass(frozen=True, slots=True)
class LiveConditions:
    """The board, and what its link announces.

    `first_hfn` is the HFN of hyperframe 0 of a case; `asked_option` the option that was asked for.
    `control_only`: the board sends control words and no IQ data. `fec`: the link has RS-FEC, and line data are what
    stands behind it. `scrambling`: seed of version 2, None for version 1.
    """

    source: str
    description: str
    option: str
    form: LineForm
    pointer_p: int
    rate_code: int
    hyperframes: int | None = None
    baud: int | None = None
    first_hfn: int = 0
    asked_option: str | None = None
    control_only: bool = False
    fec: bool = False
    scrambling: int | None = None

    @property
    def line(self) -> LineRateOption:
        return option_named(self.option)

    @property
    def fault_hyperframe(self) -> int:
        return LEAD_HYPERFRAMES

    @property
    def length(self) -> int:
        tail = self.hyperframes
        if tail is None:
            tail = tail_hyperframes(self.line, self.rate_code, self.pointer_p)
        return LEAD_HYPERFRAMES + tail

    @property
    def sent_line(self) -> LineSettings:
        """As the board's status and line data say; the header rule of codewords does not show behind RS-FEC."""
        return LineSettings(fec=self.fec, scrambling=self.scrambling)

    @property
    def words(self) -> dict[str, str | int | None]:
        more: dict[str, str | int | None] = {"data": "control words only"} if self.control_only else {}
        return more | {
            "source": self.source,
            "board": self.description,
            "via": "board",
            "form": self.form.value,
            "option": self.option,
            "pointer_p": self.pointer_p,
            "hdlc_rate_code": self.rate_code,
            "seed": None,
            "hyperframes": self.length,
            "fault_hyperframe": self.fault_hyperframe,
            **sent_line_words(self.line, self.sent_line),
        }

    @property
    def not_proven(self) -> list[str]:
        out = [
            "what a board sends is not known here: C&M frames, vendor specific and Ctrl_AxC octets and IQ data of its"
            " own traffic are not compared, its faults are judged by counters and alarms",
            "the receiver of the board: the line data are decoded here",
            *not_shown_in(self.form),
        ]
        out += line_not_proven(self.line)
        if self.fec:
            out.append("line: what RS-FEC corrects, which the board does before it sends line data")
        return out + ["iq: the board sends control words only"] * self.control_only

    def hfn_at(self, hyperframe: int) -> int:
        return (self.first_hfn + hyperframe) % HYPERFRAMES_PER_FRAME

    def command(self, name: str, seed: int | None, *more: str) -> str:
        words = ["framefray", name, self.source, "--yes"]
        if self.asked_option is not None:
            words += ["--option", self.asked_option]
        if self.baud is not None:
            words += ["--baud", str(self.baud)]
        if self.hyperframes is not None:
            words += ["--hyperframes", str(self.hyperframes)]
        return shlex.join([*words, *more])


class LiveLink:
    """The line data of a source, counted in hyperframes of its stream.

    InputError where the source ends, fails, or sends nothing for `patience_s`.
    """

    def __init__(self, source: LiveSource, *, patience_s: float = PATIENCE_S) -> None:
        self.source = source
        self.option = option_named(source.option)
        self.form = LineForm(source.form)
        self.hyperframe_octets = stream_octets(Form(source.form), source.option, 1)
        self.octets = 0
        self._patience_s = patience_s
        self._chunks: Iterator[Chunk] = source.chunks()

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe of the stream."""
        return round(self.octets / self.hyperframe_octets)

    @property
    def lost(self) -> int:
        """Grows when line data were lost on their way here."""
        return self.source.hyperframes_missing + self.source.octets_dropped

    def next(self) -> Chunk:
        """What comes next, one or more octets of it."""
        until = time.monotonic() + self._patience_s
        for chunk in self._chunks:
            if len(chunk.data):
                self.octets += len(chunk.data)
                return chunk
            if time.monotonic() > until:
                raise InputError(
                    f"{self.source.description}: no line data for {self._patience_s:g} s",
                    hint=next(reversed(self.source.warnings), "tell SOURCE status says what it sends"),
                )
        raise InputError(f"{self.source.description}: the source has gone away")


class Trial:
    """A fresh receiver on a running link; what it sees counts from `mark` on, but for changes of `own` octets.

    `start` is the hyperframe of the stream with which it begins, `timed` the events since the mark. `on_block` gets
    the hyperframes as in LinkDecoder.
    """

    def __init__(
        self,
        link: LiveLink,
        own: Set[Place] = frozenset(),
        on_block: Callable[[HyperframeBlock], None] | None = None,
    ) -> None:
        self.link = link
        self.own = own
        settings = LinkSettings(option=link.option.name, form=link.form)
        self.receiver = LinkDecoder(settings) if on_block is None else LinkDecoder(settings, on_block)
        self.start = link.hyperframe
        self.timed: list[Timed] = []
        self._count = LineCount()
        self._dropped = dict.fromkeys(COUNTERS, 0)
        self._marked = dict.fromkeys(COUNTERS, 0)
        self._kept: list[bytes] = []
        self._kept_from = 0
        self._fed = 0
        self._rest: Chunk | None = None

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe of the stream."""
        return self.start + round(self._fed / self.link.hyperframe_octets)

    def feed(self, until: int | None = None) -> bool:
        """Take what comes next, up to hyperframe `until` of the stream; whether there is more before it."""
        end = None if until is None else (until - self.start) * self.link.hyperframe_octets
        if end is not None and self._fed >= end:
            return False
        chunk = self.link.next() if self._rest is None else self._rest
        data = bytes(chunk.data)
        most = len(data) if end is None else end - self._fed
        now, self._rest = replace(chunk, data=data[:most]), None
        if most < len(data):
            self._rest = Chunk(data[most:], chunk.time_ns, chunk.offset + most)
        self._fed += len(now.data)
        self._kept.append(bytes(now.data))
        timed = self._count.timed(received(self.receiver, now), self.receiver)
        self.timed += self._without_own(timed)
        return end is None or self._fed < end

    def _without_own(self, timed: Iterable[Timed]) -> Iterator[Timed]:
        for seen in timed:
            event = seen.event
            if isinstance(event, OctetsChanged) and event.plane in TRAFFIC_COUNTERS:
                event, dropped = _beside(event, self.own)
                self._dropped[TRAFFIC_COUNTERS[event.plane]] += dropped
                if not len(event):
                    continue
                seen = Timed(seen.at, event)
            yield seen

    @property
    def counters(self) -> dict[str, int]:
        """Counters since the start."""
        now = self.receiver.counters
        return {name: now[name] - dropped for name, dropped in self._dropped.items()}

    @property
    def origin(self) -> int:
        """The hyperframe of the stream that is the receiver's number 0."""
        return self.start + (self.receiver.acquired_at_hyperframe or 0)

    @property
    def first_hfn(self) -> int:
        """The right HFN of the receiver's hyperframe 0, by the last one it read."""
        last = self.receiver.hyperframes + self.receiver.hyperframes_missed - 1
        return (self.receiver.planes.last.hfn - last) % HYPERFRAMES_PER_FRAME

    def mark(self) -> None:
        """Forget what was seen so far, but for the last hyperframe's octets."""
        self._marked = self.counters
        self.timed.clear()
        last = b"".join(self._kept[-2:])[-self.link.hyperframe_octets :]
        self._kept, self._kept_from = [last], self._fed - len(last)

    def observation(self, *, frames: bool = False) -> Observation:
        """What was seen since the mark; good frames only if asked for."""
        counters = {name: now - self._marked[name] for name, now in self.counters.items()}
        if not frames:
            counters |= dict.fromkeys(_GOOD, 0)
        return Observation(counters, self.timed, self.receiver.state is SyncState.HFNSYNC)

    def changed(self) -> set[Place]:
        """Places of the planes of traffic that changed since the mark."""
        events = (seen.event for seen in self.timed)
        return {
            (event.plane, change.ns, change.xs, change.y)
            for event in events
            if isinstance(event, OctetsChanged) and event.plane in TRAFFIC_COUNTERS
            for change in event.changes()
        }

    def excerpts(self, placed: Sequence[PlacedFault], option: LineRateOption) -> Iterator[Excerpt]:
        """What was received where the faults were to be."""
        data, width = b"".join(self._kept), self.link.hyperframe_octets // option.hyperframe_octets
        stream = Transmission(self.link.form, (), data, 0, ())
        for place in placed:
            fault = parse_fault(place.text)
            if fault.kind.layer is Layer.CHANNEL:
                for timed in self.timed:
                    frame = timed.event
                    if (
                        isinstance(frame, FrameReceived)
                        and frame.plane == fault.kind.plane
                        and frame.status is not FrameStatus.GOOD
                    ):
                        yield replace(
                            frame_excerpt(place.text, frame.data + frame.fcs), what=f"{frame.status} frame"
                        )
                        break
                continue
            begins = (place.hyperframe - self.start) * self.link.hyperframe_octets - self._kept_from
            offset = begins // width + octet_position(fault, option)
            first, octets = around(stream, offset, _REACH)
            if octets:
                yield Excerpt(place.text, first, offset - first, tuple(octets), "octets as received")


def _beside(event: OctetsChanged, own: Set[Place]) -> tuple[OctetsChanged, int]:
    """The event without the changes of `own` octets, and how many those were."""
    plane = event.plane
    keep = [i for i, c in enumerate(event.changes()) if (plane, c.ns, c.xs, c.y) not in own]
    places, old, new = (
        b"".join(part[size * i : size * (i + 1)] for i in keep)
        for part, size in ((event.places, 3), (event.old, 1), (event.new, 1))
    )
    return replace(event, places=places, old=old, new=new), len(event) - len(keep)
