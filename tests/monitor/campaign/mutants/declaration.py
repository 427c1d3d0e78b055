"""What a mutant is: a receiver with one rule wrong, built through the seams that a receiver offers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from decoders.cm_plane.ethernet import EthernetDecoder, EthernetFrame
from decoders.cm_plane.hdlc import HdlcDecoder, HdlcFrame
from decoders.events import Event
from decoders.line_coding.characters import CharacterReader, LineForm, open_reader
from decoders.line_coding.code_8b10b import CodedBlock
from decoders.line_coding.line_octets import LineOctets, Place
from decoders.linerates import OPTIONS, SIXTY_FOUR_SIXTY_SIX
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.parts import LinkParts
from decoders.link.planes import HyperframePlanes
from decoders.link.settings import LinkSettings
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receivers import ProjectReceiver, Receiver, ReceiverFactory

__all__ = [
    "K28_5",
    "ChangedReader",
    "Mutant",
    "block_of",
    "counting",
    "fast_frames",
    "iq",
    "parts",
    "reading",
    "rearranged",
    "settings",
    "slow_frames",
    "telling",
]

K28_5 = 0xBC
OnBlock = Callable[[HyperframeBlock], None]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One wrong receiver.

    `rule` is what it breaks, `clause` where that stands; `caught_by` the cases of the campaign that must catch it
    (patterns of their names, `baseline`, or `known:STREAM` for a stream of the known answers). `equivalent` argues
    why no campaign can tell it from a right receiver. `option`, `fec` and `scrambling`: the link at which it shows.
    """

    name: str
    plane: str
    rule: str
    clause: str
    caught_by: tuple[str, ...]
    make: ReceiverFactory
    equivalent: str = ""
    option: str = "2"
    fec: bool = False
    scrambling: int | None = None

    def link(self, **changes: Any) -> LinkConditions:
        """The link at which it shows; few of the large hyperframes do."""
        if OPTIONS[self.option].line_code == SIXTY_FOUR_SIXTY_SIX:
            changes = {"hyperframes": 16} | changes
        return LinkConditions(option=self.option, fec=self.fec, scrambling=self.scrambling, **changes)


def parts(**changes: Any) -> ReceiverFactory:
    """The project's decoder with some of its parts replaced."""

    def decoder(given: LinkSettings, on_block: OnBlock) -> LinkDecoder:
        return LinkDecoder(given, on_block, LinkParts(**changes))

    return lambda given: ProjectReceiver(given, decoder)


def settings(planes: Mapping[str, Any] | None = None, **changes: Any) -> ReceiverFactory:
    """The project's decoder with a reading of the standard that is another one."""

    def make(given: LinkSettings) -> Receiver:
        other = replace(given, **changes)
        return ProjectReceiver(replace(other, planes=replace(other.planes, **(planes or {}))))

    return make


class ChangedReader:
    """A character reader whose characters are changed on their way.

    `change` gets each block, the number of its first character, and the reader; `origin` is the number of the first
    K28.5 of the stream, `hyperframe` the octets of one.
    """

    def __init__(
        self, form: LineForm, hyperframe: int, change: Callable[[ChangedReader, CodedBlock, int], CodedBlock]
    ) -> None:
        self.inner: CharacterReader = open_reader(form, hyperframe)
        self.hyperframe = hyperframe
        self.origin: int | None = None
        self.count = 0
        self._change = change

    def feed(self, data: Any, held_characters: int) -> None:
        self.inner.feed(data, held_characters)

    def own(self, held_characters: int) -> None:
        self.inner.own(held_characters)

    def realign(self, characters_unused: int) -> None:
        self.origin = None
        self.count -= characters_unused
        self.inner.realign(characters_unused)

    @property
    def start_bit(self) -> int | None:
        return self.inner.start_bit

    def rest_octets(self) -> int:
        return self.inner.rest_octets()

    @property
    def start_octet(self) -> int | None:
        return self.inner.start_octet

    @property
    def slip_bits(self) -> int | None:
        return self.inner.slip_bits

    def read(self) -> LineOctets:
        line = self.inner.read()
        found = line.at(Place.CODE_VIOLATION), line.at(Place.DISPARITY_ERROR)
        block = CodedBlock(line.octets, line.k_positions, *found)
        if self.origin is None:
            sync = block.k_positions[block.octets[block.k_positions] == K28_5]
            if len(sync):
                self.origin = self.count + int(sync[0])
        changed = self._change(self, block, self.count) if len(block.octets) else block
        self.count += len(block.octets)
        places = {Place.CODE_VIOLATION: changed.violations, Place.DISPARITY_ERROR: changed.disparity_errors}
        return LineOctets(changed.octets, changed.k_positions, {p: at for p, at in places.items() if len(at)})

    def within(self, positions: Any, first: int) -> Any:
        """Places of characters of a block in their hyperframe."""
        return (positions + first - (self.origin or 0)) % self.hyperframe


def block_of(block: CodedBlock, **changes: Any) -> CodedBlock:
    """The block with some of its arrays replaced."""
    have = {
        "octets": block.octets,
        "k_positions": block.k_positions,
        "violations": block.violations,
        "disparity_errors": block.disparity_errors,
    }
    return CodedBlock(**(have | changes))


def reading(change: Callable[[ChangedReader, CodedBlock, int], CodedBlock]) -> ReceiverFactory:
    """The project's decoder behind a line code that is wrong."""
    return parts(reader=lambda form, octets: ChangedReader(form, octets, change))


def rearranged(change: Callable[[Any], None]) -> ReceiverFactory:
    """The project's decoder, its control words (n, 256, T/8) changed in place before it reads them."""

    class Planes(HyperframePlanes):
        def receive(self, view: Any, first: int, ahead: Any) -> Any:
            view, ahead = view.copy(), ahead.copy()
            change(view[:, :, 0, :])
            change(ahead[:, :, 0, :])
            return super().receive(view, first, ahead)

    return parts(planes=Planes)


def iq(take: Callable[[Any], Any]) -> ReceiverFactory:
    """The project's decoder with IQ octets taken otherwise out of a hyperframe (256, 16, T/8)."""
    return lambda given: ProjectReceiver(
        given, iq=lambda octets: np.ascontiguousarray(take(octets)).tobytes()
    )


def counting(change: Callable[[dict[str, int]], None]) -> ReceiverFactory:
    """The project's decoder with counters that are read wrongly."""

    class Counting(ProjectReceiver):
        @property
        def counters(self) -> dict[str, int]:
            counters = dict(super().counters)
            change(counters)
            return counters

    return Counting


def telling(change: Callable[[Event], Event | None]) -> ReceiverFactory:
    """The project's decoder, its counters right, its events changed or left out."""

    class Telling(ProjectReceiver):
        def receive(self, data: bytes, /) -> list[Event]:
            return [new for event in super().receive(data) if (new := change(event)) is not None]

        def finish(self) -> list[Event]:
            return [new for event in super().finish() if (new := change(event)) is not None]

    return Telling


def slow_frames(change: Callable[[HdlcFrame], HdlcFrame | None]) -> ReceiverFactory:
    """The project's decoder with HDLC frames changed after they were received."""

    class Changed(HdlcDecoder):
        def receive(self, octets: Any) -> list[HdlcFrame]:
            return [new for frame in super().receive(octets) if (new := change(frame)) is not None]

    return parts(hdlc=Changed)


def fast_frames(change: Callable[[EthernetFrame], EthernetFrame | None]) -> ReceiverFactory:
    """The project's decoder with Ethernet frames changed after they were received."""

    class Changed(EthernetDecoder):
        def receive(self, octets: Any) -> list[EthernetFrame]:
            return [new for frame in super().receive(octets) if (new := change(frame)) is not None]

    return parts(ethernet=Changed)
