"""Which hyperframe of a capture lies where, and which have errors: found in one pass, asked for by whoever seeks.

Hyperframes are counted as a decode of the whole capture counts them. A stretch is a run of them without a gap or
a new alignment, so that places in it are arithmetic. Lists are bounded, with a note where they are full.
"""

from __future__ import annotations

import threading
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Sequence

import numpy as np

from decoders import events as ev
from decoders.arrays import U8
from decoders.counters import is_damage
from decoders.error_performance.pairing import StreamNumbering
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_finder import PlacedDecoder
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..sources.source import received
from .random_access import ReplayReader

__all__ = ["MAX_ERRORS", "Scan", "Timeline"]

MAX_ERRORS = 1_000_000
MAX_STRETCHES = 100_000
SCAN_OCTETS = 1 << 20


class Timeline:
    """Which hyperframe lies where, and which have errors; written by the scan, read by all. Thread-safe."""

    def __init__(self, size: int, hyperframe_bits: int) -> None:
        self.bits = hyperframe_bits
        self.complete = False
        self.notes: list[str] = []
        self._size = size
        self._scanned = 0
        self._hyperframes = 0
        self._firsts, self._places = array("q"), array("q")
        self._link_from, self._link_ahead = array("q"), array("q")
        self._errors = array("q")
        self._changed = threading.Condition()

    def wait_first(self, timeout_s: float) -> None:
        """Until the first hyperframe in sync is known, or there is none."""
        with self._changed:
            self._changed.wait_for(lambda: len(self._firsts) or self.complete, timeout_s)

    def wait_complete(self, timeout_s: float) -> bool:
        """Until the scan is done; False where the time was too short."""
        with self._changed:
            return self._changed.wait_for(lambda: self.complete, timeout_s)

    # --- written by the scan

    def stretch(self, first: int, place: int) -> None:
        """From hyperframe `first` at bit `place` on, hyperframes follow one another."""
        with self._changed:
            if len(self._firsts) < MAX_STRETCHES:
                self._firsts.append(first)
                self._places.append(place)
            else:
                self._note(f"more than {MAX_STRETCHES} stretches in sync: places beyond are counted on")
            self._changed.notify_all()

    def link_number(self, first: int, ahead: int) -> None:
        """From hyperframe `first` on, BFN * 150 + HFN is its own number and `ahead`."""
        with self._changed:
            if len(self._link_from) < MAX_STRETCHES:
                self._link_from.append(first)
                self._link_ahead.append(ahead)
            else:
                self._note(
                    f"BFN.HFN goes on elsewhere more than {MAX_STRETCHES} times: those beyond are counted on"
                )

    def error(self, hyperframe: int) -> None:
        with self._changed:
            if self._errors and self._errors[-1] >= hyperframe:
                return
            if len(self._errors) < MAX_ERRORS:
                self._errors.append(hyperframe)
            else:
                self._note(f"more than {MAX_ERRORS} hyperframes with errors: those beyond are not listed")

    def progress(self, scanned: int, hyperframes: int, *, complete: bool = False) -> None:
        with self._changed:
            self._scanned, self._hyperframes, self.complete = scanned, hyperframes, complete
            self._changed.notify_all()

    def failed(self, why: str) -> None:
        """The scan cannot go on; what is known by then is all."""
        with self._changed:
            self._note(f"scan ended early: {why}")
            self.complete = True
            self._changed.notify_all()

    def _note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)

    # --- read by all

    @property
    def scanned(self) -> float:
        """Share of the capture that the scan has passed, 0 to 1."""
        return 1.0 if self.complete or not self._size else self._scanned / self._size

    @property
    def total(self) -> int:
        """Hyperframes of the capture; until the scan is done, as many as the rest would hold."""
        with self._changed:
            if self.complete:
                return self._hyperframes
        return max(self.number_at(8 * self._size), 0)

    @property
    def errors(self) -> int:
        """Hyperframes with an error, as far as they are known."""
        return len(self._errors)

    def stretch_of(self, number: int) -> tuple[int, int]:
        """(first hyperframe, its place in bits) of the stretch that `number` is in."""
        with self._changed:
            if not len(self._firsts):
                return 0, 0
            i = max(bisect_right(self._firsts, number) - 1, 0)
            return self._firsts[i], self._places[i]

    def place_of(self, number: int) -> int:
        """The bit where hyperframe `number` begins."""
        first, place = self.stretch_of(number)
        return place + max(number - first, 0) * self.bits

    def number_at(self, bit: int) -> int:
        """The hyperframe that lies over a bit; before the first one, or between stretches, the next one."""
        with self._changed:
            if not len(self._firsts):
                return bit // self.bits
            i = bisect_right(self._places, bit) - 1
            if i < 0:
                return self._firsts[0]
            number = self._firsts[i] + (bit - self._places[i]) // self.bits
            return min(number, self._firsts[i + 1]) if i + 1 < len(self._firsts) else number

    def number_of_link(self, number: int) -> int | None:
        """The first hyperframe with this BFN * 150 + HFN, as far as is known."""
        with self._changed:
            for i, first in enumerate(self._link_from):
                last = i + 1 == len(self._link_from)
                end = self._hyperframes if last else self._link_from[i + 1]
                found = first + (number - self._link_ahead[i] - first) % NUMBER_MODULUS
                if found < end:
                    return found
        return None

    def error_after(self, number: int) -> int | None:
        with self._changed:
            i = bisect_right(self._errors, number)
            return self._errors[i] if i < len(self._errors) else None

    def error_before(self, number: int) -> int | None:
        with self._changed:
            i = bisect_left(self._errors, number) - 1
            return self._errors[i] if i >= 0 else None


class Scan:
    """One pass over a capture that fills a timeline."""

    def __init__(self, reader: ReplayReader, settings: LinkSettings, timeline: Timeline) -> None:
        self._reader, self._timeline = reader, timeline
        self._decoder = PlacedDecoder(settings, self._on_block)
        self._numbering = StreamNumbering()
        self._left_out = 0
        self._expected: int | None = None
        self._blocks: list[U8] = []
        self._gaps: list[tuple[int, int | None]] = []
        self._given = 0
        self._ahead: int | None = None
        self._numbered = 0

    def run(self, stop: threading.Event) -> None:
        """To the end, or until `stop`; then the reader is closed."""
        try:
            self._run(stop)
        except InputError as error:
            self._timeline.failed(str(error))
        finally:
            self._reader.close()

    def _run(self, stop: threading.Event) -> None:
        decoder, timeline = self._decoder, self._timeline
        for start in range(0, self._reader.size, SCAN_OCTETS):
            for piece in self._reader.pieces(start, start + SCAN_OCTETS):
                if stop.is_set():
                    return
                if piece.data:
                    self._take(received(decoder, piece.chunk))
                else:
                    self._left_out += piece.end - piece.at
                timeline.progress(piece.end, decoder.hyperframes)
        self._take(decoder.finish())
        self._settle(None)
        timeline.progress(self._reader.size, decoder.hyperframes, complete=True)

    def _take(self, found: list[ev.Event]) -> None:
        for event in found:
            if event.hyperframe is not None and is_damage(event):
                self._timeline.error(event.hyperframe)
            if isinstance(event, ev.HyperframesNotReceived):
                self._gaps.append((event.hyperframe or 0, event.count))
        if self._blocks:
            octets = np.concatenate(self._blocks)
            self._blocks.clear()
            begin, self._given = self._given, self._given + len(octets)
            here = [(at - begin, count) for at, count in self._gaps if at < self._given]
            del self._gaps[: len(here)]
            self._settle(octets, here)

    def _on_block(self, block: HyperframeBlock) -> None:
        place = self._decoder.start_bit + 8 * self._left_out
        if place != self._expected:
            self._timeline.stretch(block.first, place)
        self._expected = place + len(block.octets) * self._timeline.bits
        self._blocks.append(block.octets[:, :, :1, :1].copy())

    def _settle(self, octets: U8 | None, gaps: Sequence[tuple[int, int | None]] = ()) -> None:
        for _, numbers, _ in self._numbering.add(octets, gaps):
            ahead = (numbers - self._numbered - np.arange(len(numbers))) % NUMBER_MODULUS
            before = -1 if self._ahead is None else self._ahead
            for i in np.flatnonzero(np.diff(ahead, prepend=before)).tolist():
                self._ahead = int(ahead[i])
                self._timeline.link_number(self._numbered + i, self._ahead)
            self._numbered += len(numbers)
