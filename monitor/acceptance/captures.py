"""Captures of an evidence folder: line data around a failure, or a clean sample, and what they decode to.

The same function reads a capture when it is written and when the folder is checked, so the two can be compared.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from decoders.counters import ERROR_COUNTERS
from decoders.events import Event, PossibleInversion
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..formats.ffcap import CaptureHeader, CaptureRecordType, Clock, gap_payload
from ..formats.ffcap_writer import CaptureWriter
from ..sources.file import open_file_source
from ..sources.source import Chunk, received
from .rig import StreamPoint

__all__ = ["CAPTURE_FOLDER", "CaptureKeeper", "KeptCapture", "read_kept_capture"]

CAPTURE_FOLDER = "captures"
_AFTER = 1
"""Chunks kept after the one in which something failed."""
MOST_OCTETS = 6 << 20
"""Of line data in one capture."""
MOST_FAILURES = 3
"""Captures of failures in one stage; what follows is only counted."""


@dataclass(frozen=True, slots=True)
class KeptCapture:
    """A capture of the folder and what it decodes to; `clean`: in sync at the end, no error counter moved.

    `failure`: it was kept because something failed there that line data show.
    """

    file: str
    point: str
    why: str
    failure: bool
    hyperframes: int
    sync_state: str
    counters: Mapping[str, int]
    clean: bool

    @property
    def record(self) -> dict[str, Any]:
        """As it stands in a stage's results."""
        return {name: getattr(self, name) for name in self.__slots__} | {"counters": dict(self.counters)}


def read_kept_capture(
    path: Path,
    on_event: Callable[[Event], object] | None = None,
    on_block: Callable[[HyperframeBlock], None] | None = None,
) -> dict[str, Any]:
    """What a capture decodes to: the fields of KeptCapture that hang on its octets. InputError as for any capture."""
    source = open_file_source(str(path), None, None)
    try:
        decoder = LinkDecoder(LinkSettings(option=source.option, form=LineForm(source.form)), on_block)
        inverted = False
        events: list[Event] = []
        for chunk in source.chunks():
            events = received(decoder, chunk)
            inverted |= any(isinstance(event, PossibleInversion) for event in events)
            for event in events if on_event else ():
                on_event(event)  # type: ignore[misc]
        for event in decoder.finish() if on_event else ():
            on_event(event)  # type: ignore[misc]
        if source.warnings:
            raise InputError(f"{path.name}: {source.warnings[0]}")
        state = decoder.state.value
        moved = {name: by for name, by in decoder.counters.items() if by}
        errors = [name for name in moved if name in ERROR_COUNTERS]
        return {
            "hyperframes": decoder.hyperframes,
            "sync_state": state,
            "counters": moved,
            "clean": state == "HFNSYNC" and not errors and not inverted,
        }
    finally:
        source.close()


class CaptureKeeper:
    """Holds the last line data of each point, and writes captures into `folder`, None for none."""

    def __init__(
        self,
        folder: Path | None,
        stem: str,
        points: Sequence[StreamPoint],
        *,
        before: int = 2,
        into: list[KeptCapture] | None = None,
    ) -> None:
        self._folder, self._stem, self._points = folder, stem, points
        self._recent: list[deque[Chunk]] = [deque(maxlen=before + 1) for _ in points]
        self._open: list[tuple[int, str, list[Chunk], int, bool]] = []
        self.kept: list[KeptCapture] = [] if into is None else into
        self._written = 0
        self.failures = 0

    def saw(self, index: int, chunk: Chunk) -> None:
        """The next line data of a point."""
        chunk = Chunk(bytes(chunk.data), chunk.time_ns, chunk.offset, chunk.gap)
        self._recent[index].append(chunk)
        still = []
        for point, why, chunks, left, shows in self._open:
            if point == index:
                chunks.append(chunk)
                left -= 1
            if left:
                still.append((point, why, chunks, left, shows))
            else:
                self._write(point, why, chunks, failure=shows)
        self._open = still

    def failed(self, index: int, why: str, *, shows: bool = True) -> None:
        """Something failed in the last line data of a point; `shows`: in a way that the line data show."""
        self.failures += 1
        if self.failures <= MOST_FAILURES and not any(point == index for point, *_ in self._open):
            self._open.append((index, why, list(self._recent[index]), _AFTER, shows))

    def sample(self, index: int, why: str) -> None:
        """Keep the last line data of a point as they are."""
        self._write(index, why, list(self._recent[index]), failure=False)

    def finish(self) -> None:
        """Write what is open."""
        for point, why, chunks, _, shows in self._open:
            self._write(point, why, chunks, failure=shows)
        self._open = []

    def _write(self, index: int, why: str, chunks: list[Chunk], *, failure: bool) -> None:
        while len(chunks) > 1 and sum(len(chunk.data) for chunk in chunks) > MOST_OCTETS:
            chunks = chunks[1:]
        if self._folder is None or not chunks:
            return
        point = self._points[index]
        self._written += 1
        name = f"{CAPTURE_FOLDER}/{self._stem}-{self._written}.ffcap"
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        header = CaptureHeader(option=point.option, form=point.form.value, clock=Clock.LINE)
        with CaptureWriter(path, header) as writer:
            for number, chunk in enumerate(chunks):
                if chunk.gap and number:
                    writer.append(CaptureRecordType.GAP, gap_payload(chunk.gap), chunk.time_ns)
                writer.append(header.record_type, bytes(chunk.data), chunk.time_ns)
        read = read_kept_capture(path)
        self.kept.append(KeptCapture(name, point.name, why, failure and not read["clean"], **read))
