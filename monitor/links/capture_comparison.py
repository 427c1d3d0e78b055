"""Two captures side by side: opens both, finds their hyperframes, matches and compares them in flat memory.

The captures may be of any form and start anywhere; they must be of the same line rate option. Where both files
tell the time of their start, the way from the sent to the received end is timed as well. Nothing here prints.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import U8
from decoders.error_performance.comparison import Comparison, ratio_bound
from decoders.error_performance.pairing import Matched, NumberRange, Pairing
from decoders.events import Event, HyperframesNotReceived
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_finder import HyperframeFinder, hyperframe_bits
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..sources.file import CaptureSource
from ..sources.source import Chunk, Source, received
from ..text import counted

__all__ = ["CompareResult", "Latency", "compare_sources"]

_PIECE_OCTETS = 1 << 20
_STRETCHES_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Latency:
    """Time from a hyperframe's start at the sent end to its start at the received end, nanoseconds."""

    least_ns: float
    mean_ns: float
    most_ns: float


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two captures, as far as it was read.

    Its numbers are in `stretches`: another one begins behind a break of unknown length, and where they go back.
    """

    source: str
    form: str
    hyperframes: int
    first: int
    last: int
    alone: int
    alone_inside: int
    losses: int
    code_violations: int
    disparity_errors: int
    numbers_corrected: int
    warnings: tuple[str, ...]
    breaks_of_unknown_length: int = 0
    stretches: tuple[NumberRange, ...] = ()


@dataclass(frozen=True, slots=True)
class Ratio:
    """`errors` in `bits`, and the upper bound of their ratio at `confidence`."""

    bits: int
    errors: int
    confidence: float
    upper: float


@dataclass(frozen=True, slots=True)
class CompareResult:
    """All of a comparison; `latency_missing` says why there is no latency."""

    sent: Side
    received: Side
    comparison: Comparison
    pairing: Pairing
    ratio: Ratio
    latency: Latency | None
    latency_missing: str

    def within(self, max_ber: float, *, allow_gaps: bool = True) -> bool:
        """Whether no more bits differ than `max_ber` allows (and, on demand, no hyperframe is missing inside)."""
        gaps = self.sent.alone_inside + self.received.alone_inside
        return self.ratio.errors <= max_ber * self.ratio.bits and (allow_gaps or not gaps)


class _Stream:
    """The hyperframes of a source, piece by piece, and when each one began."""

    def __init__(self, source: Source, *, timed: bool) -> None:
        self.source = source
        self.finder = HyperframeFinder(
            LinkSettings(option=source.option, form=LineForm(source.form)), self._take
        )
        self._pieces: deque[U8] = deque()
        self._held = self._given = 0
        self._gaps: deque[tuple[int, int | None]] = deque()
        self._chunks = source.chunks()
        self._timed = timed
        self._bits = hyperframe_bits(source.option, LineForm(source.form))
        self._fed = 0
        self._starts: deque[tuple[int, int]] = deque()
        self._times: deque[tuple[int, NDArray[np.float64]]] = deque()
        self._ended = False

    def _take(self, block: HyperframeBlock) -> None:
        self._pieces.append(block.octets.copy())
        self._held += block.octets.size
        if self._timed:
            self._times.append((block.first, self._times_of(len(block.octets))))

    def _times_of(self, count: int) -> NDArray[np.float64]:
        begin = self.finder.start_bit + self._bits * np.arange(count, dtype=np.int64)
        while len(self._starts) > 1 and self._starts[1][0] <= begin[0]:
            self._starts.popleft()
        places, times = (np.array(column, np.int64) for column in zip(*self._starts, strict=True))
        chunk = np.maximum(np.searchsorted(places, begin, side="right") - 1, 0)
        into = (begin - places[chunk]) * (1e9 / HYPERFRAMES_PER_SECOND / self._bits)
        result: NDArray[np.float64] = times[chunk] + into
        return result

    def piece(self) -> tuple[U8 | None, list[tuple[int, int | None]]]:
        """The next hyperframes (n, 256, 16, T/8), None at the end; before which of them how many are missing."""
        while self._held < _PIECE_OCTETS and not self._ended:
            chunk: Chunk | None = next(self._chunks, None)
            if chunk is None:
                self._ended = True
                self._note(self.finder.finish())
                break
            if self._timed:
                self._starts.append((8 * self._fed, chunk.time_ns))
            self._fed += len(chunk.data)
            self._note(received(self.finder, chunk))
        if not self._pieces:
            return None, []
        pieces, self._held = list(self._pieces), 0
        self._pieces.clear()
        octets = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        begin, self._given = self._given, self._given + len(octets)
        gaps = []
        while self._gaps and self._gaps[0][0] < self._given:
            at, count = self._gaps.popleft()
            gaps.append((at - begin, count))
        return octets, gaps

    def _note(self, events: list[Event]) -> None:
        self._gaps += [(e.hyperframe or 0, e.count) for e in events if isinstance(e, HyperframesNotReceived)]

    def times(self, first: int, count: int) -> NDArray[np.float64]:
        """When the hyperframes `first`.. began; they are asked for in ascending order."""
        parts = []
        while count:
            start, times = self._times[0]
            if first >= start + len(times):
                self._times.popleft()
                continue
            part = times[first - start : first - start + count]
            parts.append(part)
            first, count = first + len(part), count - len(part)
        return np.concatenate(parts)


class _LatencyWatch:
    def __init__(self, offset_ns: int) -> None:
        self._offset = offset_ns
        self._least, self._most, self._sum, self._count = np.inf, -np.inf, 0.0, 0

    def take(self, matched: Matched, sent: _Stream, received: _Stream) -> None:
        n = len(matched.numbers)
        way = received.times(matched.received_at, n) - sent.times(matched.sent_at, n) + self._offset
        self._least, self._most = min(self._least, float(way.min())), max(self._most, float(way.max()))
        self._sum, self._count = self._sum + float(way.sum()), self._count + n

    def result(self) -> Latency:
        return Latency(self._least, self._sum / self._count, self._most)


def compare_sources(
    sent: Source, received: Source, *, confidence: float = 0.95, places: int = 10
) -> CompareResult:
    """Compare two sources to their ends; `places` of each plane are kept.

    InputError where they cannot be compared: other options, no sync in one, or no hyperframe in common.
    """
    if sent.option != received.option:
        raise InputError(
            f"{sent.description} has option {sent.option}, {received.description} option {received.option}:"
            " only captures of the same line rate option can be compared"
        )
    offset_ns, missing = _clock_offset(sent, received)
    streams = tuple(_Stream(source, timed=offset_ns is not None) for source in (sent, received))
    comparison = Comparison(streams[0].finder.option, places)
    pairing = Pairing()
    latency = None if offset_ns is None else _LatencyWatch(offset_ns)
    for matched in _matched(pairing, streams):
        comparison.compare(matched.numbers, matched.sent, matched.received)
        if latency is not None:
            latency.take(matched, *streams)
    sides = [_side(stream, pairing, index) for index, stream in enumerate(streams)]
    if not comparison.hyperframes:
        ranges = " and ".join(f"{side.source} has {stretches_text(side.stretches)}" for side in sides)
        raise InputError(f"no hyperframe is in both captures: {ranges} (BFN.HFN)")
    bits, errors = comparison.compared_bits, comparison.differing_bits
    return CompareResult(
        sides[0],
        sides[1],
        comparison,
        pairing,
        Ratio(bits, errors, confidence, ratio_bound(bits, errors, confidence)),
        None if latency is None else latency.result(),
        missing,
    )


def position(number: int) -> str:
    """A hyperframe's number as BFN.HFN."""
    return f"{number // 150}.{number % 150}"


def stretches_text(stretches: Sequence[NumberRange]) -> str:
    """Stretches as BFN.HFN to BFN.HFN, not too many of them."""
    shown = stretches if len(stretches) <= _STRETCHES_SHOWN else stretches[: _STRETCHES_SHOWN - 1]
    text = ", then ".join(f"{position(stretch.first)} to {position(stretch.last)}" for stretch in shown)
    rest = len(stretches) - len(shown)
    return f"{text} and {counted(rest, 'more range')}" if rest else text


def _matched(pairing: Pairing, streams: tuple[_Stream, ...]) -> Iterator[Matched]:
    while (index := pairing.wanted()) is not None:
        yield from pairing.add(index, *streams[index].piece())


def _side(stream: _Stream, pairing: Pairing, index: int) -> Side:
    finder, side = stream.finder, pairing.sides[index]
    if side.first is None or side.last is None:
        raise InputError(
            f"{stream.source.description}: no hyperframe sync found as {stream.source.form} of option "
            f"{stream.source.option}",
            hint="check --form and --option",
        )
    return Side(
        stream.source.description,
        stream.source.form,
        side.taken,
        side.first,
        side.last,
        pairing.alone[index],
        pairing.alone_inside[index],
        finder.losses,
        finder.counters["code_violations"],
        finder.counters["disparity_errors"],
        side.corrected,
        tuple(stream.source.warnings),
        finder.breaks_of_unknown_length,
        tuple(side.stretches),
    )


def _clock_offset(sent: Source, received: Source) -> tuple[int | None, str]:
    """Received start minus sent start, or None and why it is not known."""
    starts = []
    for source in (sent, received):
        start = source.header.start_time_ns if isinstance(source, CaptureSource) else 0
        if not start:
            return None, f"{source.description} has no recording times"
        starts.append(start)
    return starts[1] - starts[0], ""
