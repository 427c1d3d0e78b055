"""What an acceptance run is done on: a link or a site whose points can be watched, reset and fed.

A rig that cannot do or show something raises `NotObservable` with the reason; the stage is then `not tested`. A
link that goes away is an InputError: the run waits for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Protocol

from decoders.arrays import U8
from decoders.events import Plane
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings

from ..campaign.campaign import Bench
from ..campaign.conditions import Conditions
from ..campaign.receivers import ReceiverUnderTest
from ..delay.samples import ResettableBoard
from ..sources.source import Chunk, Injection

__all__ = [
    "CampaignLink",
    "NumberedFrames",
    "Restart",
    "Rig",
    "StreamPoint",
    "Streams",
    "ToneStreams",
    "point_decoder",
]


@dataclass(frozen=True, slots=True)
class StreamPoint:
    """A place where line data are received: what `name` (SENDER>RECEIVER, or a board) gets.

    `unseen`: what its line data do not show, a line each.
    """

    name: str
    option: str
    form: LineForm
    unseen: tuple[str, ...] = ()


def point_decoder(
    point: StreamPoint, on_block: Callable[[HyperframeBlock], None] | None = None
) -> LinkDecoder:
    """A fresh decoder for what a point receives."""
    return LinkDecoder(LinkSettings(option=point.option, form=point.form), on_block)


class Streams(Protocol):
    """Line data of every point, in turns; each chunk comes with the number of its point."""

    @property
    def points(self) -> Sequence[StreamPoint]: ...

    def read(self) -> Iterator[tuple[int, Chunk]]:
        """Line data until the streams are closed; InputError where the link is gone."""
        ...

    def inject(self, text: str) -> Injection:
        """Schedule a fault that the first point must show; NotObservable where none can be."""
        ...


@dataclass(frozen=True, slots=True)
class Restart:
    """Streams that begin with a reset: `dark_hyperframes` of each point pass before it has a signal.

    `answers`: the point where the remote end's RAI must show while the downlink is dark; None without a remote end.
    `counted`: whether the board's own count shows the reset, None where it has none. `lead_ms` passed before the
    streams begin. `instead`: what there was in place of a reset.
    """

    streams: Streams
    dark_hyperframes: Mapping[int, int] = field(default_factory=dict)
    answers: int | None = None
    counted: bool | None = None
    lead_ms: float = 0.0
    instead: str = ""


class NumberedFrames(Protocol):
    """Streams whose C&M frames carry running numbers."""

    @property
    def streams(self) -> Streams: ...

    def number(self, plane: Plane, data: bytes) -> int | None:
        """The number in a frame, without its FCS; None for none of those that were sent, -1 to leave it out."""
        ...

    def sent(self, plane: Plane) -> int | None:
        """How many have been handed to the sender; None where that is not known."""
        ...

    @property
    def modulus(self) -> int:
        """Where the numbers run over; 0 never."""
        ...

    @property
    def done(self) -> bool:
        """Whether everything that was to be sent has left, and had time to arrive."""
        ...


@dataclass(frozen=True, slots=True)
class ToneStreams:
    """Streams whose IQ data are known.

    `iq_map` as IqMap.parse takes it; `tone_hz` and `level_dbfs` of each AxC. `sent` gives the IQ octets of the
    hyperframe with a number (BFN * 150 + HFN) as sent, where they are known to the octet.
    """

    streams: Streams
    iq_map: str
    tone_hz: tuple[float, ...]
    level_dbfs: float
    knows_octets: bool

    def sent(self, first: int, n: int) -> U8:
        """IQ octets of `n` hyperframes from number `first` on, (n, 256 * 15 * T/8)."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class CampaignLink:
    """What the campaign runs on; `bench` None for fresh emulated links."""

    conditions: Conditions
    bench: Bench | None
    receiver: ReceiverUnderTest


class Rig(Protocol):
    """A link or a site. Every context manager gives the link back when it is left."""

    @property
    def description(self) -> str: ...
    @property
    def option(self) -> str: ...
    @property
    def settings(self) -> Mapping[str, str]:
        """Equipment and settings for the report, each by its name."""
        ...

    @property
    def touches(self) -> Mapping[str, str]:
        """Kinds of stage that make a board transmit or reset, and what each does; empty where no board is there."""
        ...

    def check_present(self) -> None:
        """InputError where the link is gone."""
        ...

    def hyperframes_per_second(self) -> float:
        """How fast line data come or are made; an estimate."""
        ...

    def watch(self, *, option: str | None = None) -> AbstractContextManager[Streams]: ...
    def restart(self, reset: int, *, option: str | None = None) -> AbstractContextManager[Restart]: ...
    def looped(self, which: str) -> AbstractContextManager[tuple[Streams, float | None]]:
        """Streams in a loopback, and the delay counted in it in ns, None where nothing counts it."""
        ...

    def pn(self, order: int) -> AbstractContextManager[Streams]: ...
    def numbered(self, planes: Sequence[str], frames: int) -> AbstractContextManager[NumberedFrames]: ...
    def tones(self) -> AbstractContextManager[ToneStreams]: ...
    def campaign(self) -> AbstractContextManager[CampaignLink]: ...
    def delay_board(self, resets: int) -> AbstractContextManager[ResettableBoard]: ...
