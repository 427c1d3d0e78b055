"""Reads the sources of several points side by side and names where damage enters; captures and live sources.

A capture is read when its turn comes, so that little waits in memory. A live source is read by a thread of its own,
for it brings data when it likes; one that is silent too long ends, and the others go on.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings

from ..errors import MonitorError
from ..links.damage import Localised, Point
from ..process.interrupts import Interrupts
from ..sources.names import Segment
from ..sources.patience import LinePatience
from ..sources.source import Chunk, Source, received
from .localisation import Localisation

__all__ = ["LocateOutcome", "PointSource", "locate_sources"]

_QUEUED_CHUNKS = 4
_LOOK_S = 0.1


@dataclass(frozen=True, slots=True)
class PointSource:
    """A point, where its line data come from, and how to read them; `live`: they come when they like."""

    point: Point
    source: Source
    settings: LinkSettings
    live: bool = False


@dataclass(frozen=True, slots=True)
class LocateOutcome:
    """What was found, and what ended a source too early; `whole` is False where a signal ended it all."""

    result: Localised
    troubles: tuple[MonitorError, ...]
    whole: bool


class _Reader(Protocol):
    ended: bool

    def next(self, wait_s: float) -> Chunk | None:
        """The next chunk; None where none has come yet, or at the end, which `ended` tells."""
        ...


class _CaptureReader:
    def __init__(self, source: Source) -> None:
        self.ended = False
        self._chunks = source.chunks()

    def next(self, wait_s: float) -> Chunk | None:
        chunk = next(self._chunks, None)
        self.ended = chunk is None
        return chunk


class _LiveReader:
    """A thread that reads ahead a little; an error of the source comes out of `next`."""

    def __init__(self, source: Source, synced: Callable[[], bool]) -> None:
        self.ended = False
        self._source = source
        self._synced = synced
        self._patience = LinePatience(source)
        self._queue: queue.Queue[Chunk | Exception | None] = queue.Queue(_QUEUED_CHUNKS)
        self._stopped = threading.Event()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        last: Exception | None = None
        try:
            for chunk in self._source.chunks():
                # The source may use the memory of a chunk again.
                if not self._put(Chunk(bytes(chunk.data), chunk.time_ns, chunk.offset, chunk.gap)):
                    return
        except Exception as error:  # told by `next`, in the thread that reads
            last = error
        self._put(last)

    def _put(self, item: Chunk | Exception | None) -> bool:
        while not self._stopped.is_set():
            try:
                self._queue.put(item, timeout=_LOOK_S)
            except queue.Full:
                continue
            return True
        return False

    def next(self, wait_s: float) -> Chunk | None:
        try:
            item = self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait()
        except queue.Empty:
            self._patience.check(self._synced)
            return None
        if isinstance(item, Exception):
            raise item
        self.ended = item is None
        if item is not None:
            self._patience.check(self._synced)
        return item

    def stop(self) -> None:
        self._stopped.set()


def locate_sources(
    points: Sequence[PointSource],
    segments: Sequence[Segment] = (),
    *,
    interrupts: Interrupts | None = None,
    heard: Callable[[], object] = lambda: None,
) -> LocateOutcome:
    """Read all points to their ends, or to a signal, and close them; `heard` is called after each chunk.

    `segments` are those of the site, where they are known. InputError where the points make no chain or tree.
    """
    reading = _Reading(points, segments)
    interrupts = interrupts or Interrupts()
    try:
        reading.run(interrupts, heard)
    except KeyboardInterrupt:
        if interrupts.insisted:
            raise
    finally:
        reading.close()
    with interrupts.held():
        return LocateOutcome(reading.finish(), tuple(reading.troubles), not interrupts.seen)


class _Reading:
    def __init__(self, points: Sequence[PointSource], segments: Sequence[Segment]) -> None:
        self._points = points
        self._localisation = Localisation([each.point for each in points], segments)
        self._decoders: list[LinkDecoder] = []
        self._readers: list[_CaptureReader | _LiveReader] = []
        self.troubles: list[MonitorError] = []
        for index, (each, tap) in enumerate(zip(points, self._localisation.taps, strict=True)):
            decoder = LinkDecoder(each.settings, tap.on_block)
            self._localisation.attach(index, decoder, each.source.description)
            self._decoders.append(decoder)

    def run(self, interrupts: Interrupts, heard: Callable[[], object]) -> None:
        for each, decoder in zip(self._points, self._decoders, strict=True):
            synced = _Synced(decoder)
            self._readers.append(
                _LiveReader(each.source, synced) if each.live else _CaptureReader(each.source)
            )
        while (index := self._localisation.behind()) is not None:
            for at, wait in self._order(index):
                with interrupts.held():
                    done = self._step(at, wait)
                if done:
                    heard()
                    break

    def _order(self, first: int) -> Iterator[tuple[int, float]]:
        """The point that is behind, and behind it the live ones that may have something."""
        live = [i for i, each in enumerate(self._points) if each.live and not self._readers[i].ended]
        yield first, 0.0
        yield from ((i, 0.0) for i in live if i != first)
        if self._points[first].live:
            yield first, _LOOK_S

    def _step(self, index: int, wait_s: float) -> bool:
        """Take one chunk of a point, or its end; False where nothing has come."""
        reader, decoder, tap = self._readers[index], self._decoders[index], self._localisation.taps[index]
        try:
            chunk = reader.next(wait_s)
        except MonitorError as error:
            self.troubles.append(error)
            reader.ended, chunk = True, None
        if chunk is not None:
            tap.receive(received(decoder, chunk))
            return True
        if reader.ended:
            self._end(index)
        return reader.ended

    def _end(self, index: int) -> None:
        tap, each = self._localisation.taps[index], self._points[index]
        if not tap.ended:
            tap.receive(self._decoders[index].finish())
            tap.warnings = tuple(each.source.warnings)
            tap.end()

    def finish(self) -> Localised:
        for index in range(len(self._points)):
            self._end(index)
        return self._localisation.result()

    def close(self) -> None:
        for reader in self._readers:
            if isinstance(reader, _LiveReader):
                reader.stop()
        for each in self._points:
            each.source.close()


@dataclass(frozen=True, slots=True)
class _Synced:
    decoder: LinkDecoder

    def __call__(self) -> bool:
        return self.decoder.acquired_at_hyperframe is not None
