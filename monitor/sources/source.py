"""Where line data come from: one small protocol, the same for a file, a pipe, a board and a replay.

A source yields chunks of one line form and knows which form and which line rate option they are. It decodes
nothing: no sync, no counters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from decoders.events import Event
    from decoders.link.decoder import LinkDecoder

    from .log import Log

__all__ = [
    "UNKNOWN_GAP",
    "BoardReport",
    "Chunk",
    "FaultySource",
    "GuardedSource",
    "Injection",
    "LineSource",
    "ReportingSource",
    "RestartingSource",
    "Source",
    "Standstill",
    "TalkingSource",
    "received",
]


@dataclass(frozen=True, slots=True)
class Injection:
    """A fault as a source has scheduled it.

    `hyperframe` counts from the start of the source's stream; `text` names the fault with every parameter;
    `expected` are the counters that must move, and by how much. `sent` are BFN and HFN of the hyperframe that it is
    sent in, where a board says them.
    """

    hyperframe: int
    text: str
    expected: Mapping[str, int]
    sent: tuple[int, int] | None = None


@runtime_checkable
class FaultySource(Protocol):
    """A source that can damage what it sends."""

    def inject(self, text: str) -> Injection:
        """Schedule a fault `plane.what[@hyperframe][:key=value,...]`; InputError where it cannot be injected."""
        ...


@runtime_checkable
class RestartingSource(Protocol):
    """A source that goes on elsewhere at times, and says so before the first chunk from there."""

    on_restart: Callable[[int, Sequence[Chunk]], None] | None


UNKNOWN_GAP = -1
"""Some hyperframes are missing, nobody knows how many."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """A piece of the stream, in the native bytes of the source's form.

    `data` of `flagged` and `symbols` always holds whole 16-bit little-endian words. A view (memoryview,
    array) is good until the chunk after the next one is asked for: copy what is kept longer.
    `time_ns` is the time of the first octet on the source's clock, `offset` its byte offset in the file. `gap`
    hyperframes are missing before it, by the source's own count (or UNKNOWN_GAP); it begins with one then.
    """

    data: bytes | memoryview | NDArray[np.uint8]
    time_ns: int
    offset: int
    gap: int = 0


class Source(Protocol):
    """Anything the pipeline can read.

    `form` is octets, flagged, symbols or bits; `option` a name of decoders.linerates.OPTIONS.
    `warnings` holds one line for each thing that was put right or left out; it grows while chunks are read.
    """

    @property
    def description(self) -> str: ...

    @property
    def form(self) -> str: ...

    @property
    def option(self) -> str: ...

    @property
    def warnings(self) -> list[str]: ...

    def chunks(self) -> Iterator[Chunk]:
        """The stream from here to its end; InputError where it cannot be read on."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Standstill:
    """No line data come: for how long, and whether that is because the line broke."""

    seconds: float
    broken: bool


@runtime_checkable
class LineSource(Protocol):
    """A source on a line that may break, or carry nothing."""

    @property
    def standstill(self) -> Standstill | None:
        """None while line data come."""
        ...


@dataclass(frozen=True, slots=True)
class BoardReport:
    """What a board tells of itself, None where it has not, and what its serial line lost since it was opened.

    `delay_ns` is the round trip delay that the board counted last, compensated for its alignment offset.
    `data_lost`: hyperframes received and not sent, `commands_bad`: records that it could not read, both by its own
    count. `octets_dropped` were not taken from the line in time.
    """

    name: str | None = None
    resets: int | None = None
    data_lost: int | None = None
    commands_bad: int | None = None
    delay_ns: float | None = None
    records_lost: int = 0
    records_bad: int = 0
    octets_dropped: int = 0


@runtime_checkable
class ReportingSource(Protocol):
    """A source that knows of a board behind it and of the line to it."""

    @property
    def board_report(self) -> BoardReport: ...


@runtime_checkable
class TalkingSource(Protocol):
    """A source that brings lines of text beside its line data."""

    log: Log


@runtime_checkable
class GuardedSource(Protocol):
    """A source whose commands to transmit or reset go out only while `allow` is set."""

    description: str
    allow: bool


def received(decoder: LinkDecoder, chunk: Chunk) -> list[Event]:
    """What a decoder makes of a chunk, told of the gap before it."""
    if chunk.gap:
        decoder.skip(None if chunk.gap == UNKNOWN_GAP else chunk.gap)
    return decoder.receive(chunk.data, chunk.time_ns)
