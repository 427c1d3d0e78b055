"""Asks a running board for what is known beforehand, and gathers its control words as they come from the line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Protocol, runtime_checkable

import numpy as np

from decoders.arrays import U16
from decoders.events import Plane
from decoders.line_coding.characters import LineForm

from ..errors import InputError, RefusedError
from ..protocol.records import TrafficPlane
from .conditions import tail_hyperframes
from .known_answers import AnswerResult, Outcome
from .line_answers import (
    KNOWN_FRAMES,
    ControlRun,
    KnownFrame,
    LineTable,
    PlacedBit,
    SentKnownFrame,
    line_answers,
    times_sent,
)
from .live_link import LiveConditions, LiveLink

__all__ = ["FrameSource", "check_line_answers"]

_LEAST = 170
"""Hyperframes that are looked at: HFN 149 and 0 are among them."""
_LEAD, _AFTERWARDS, _LOOK, _MOST_AHEAD = 8, 8, 16, 4096
_PLANES = {Plane.HDLC: TrafficPlane.HDLC, Plane.ETHERNET: TrafficPlane.ETHERNET}
_ALARMS = ("reset", "rai", "sdi", "los", "lof")
_HOLD, _VENDOR_NS, _VENDOR_XS, _VENDOR_VALUE = 2, 18, 2, 0xA5


@runtime_checkable
class FrameSource(Protocol):
    """A source that can be asked to send a C&M frame."""

    def send_frame(self, plane: TrafficPlane, frame: bytes) -> int:
        """Have it sent once; from which hyperframe of the stream on it may begin. InputError where it is refused."""
        ...


class _Gathering:
    """Control words from a line, cut where the sync characters of the table stand most often."""

    def __init__(self, link: LiveLink, table: LineTable) -> None:
        self._link = link
        self._table = table
        self._flags = link.form is not LineForm.OCTETS
        self._width = 2 if self._flags else 1
        self._size = link.hyperframe_octets
        self._held = bytearray()
        self._held_at = link.octets
        self._cut: int | None = None
        self._rows: list[U16] = []
        self._first = 0
        self.runs: list[ControlRun] = []

    @property
    def count(self) -> int:
        """Hyperframes gathered."""
        return sum(len(run.words) for run in self.runs)

    @property
    def next(self) -> int:
        """Number of the hyperframe behind those gathered."""
        return self.runs[-1].first + len(self.runs[-1].words) if self.runs else 0

    def more(self, hyperframes: int) -> None:
        """Wait for so many hyperframes more."""
        wanted, end = self.count + hyperframes, self._link.octets + 4 * (hyperframes + 4) * self._size
        while self.count < wanted and self._link.octets < end:
            lost, at = self._link.lost, self._link.octets
            chunk = self._link.next()
            if chunk.gap or self._link.lost != lost:
                self._held.clear()
                self._cut = None
            if not self._held:
                self._held_at = at
            self._held += bytes(chunk.data)
            self._take()

    def _take(self) -> None:
        if self._cut is None:
            if len(self._held) < 4 * self._size:
                return
            self._cut = self._begin()
            del self._held[: self._cut]
            self._held_at += self._cut
            self.runs.append(ControlRun(round(self._held_at / self._size), self._words(b""), self._flags))
        whole = len(self._held) // self._size * self._size
        if whole:
            run = self.runs[-1]
            run.words = np.concatenate((run.words, self._words(bytes(self._held[:whole]))))
            del self._held[:whole]
            self._held_at += whole

    def _begin(self) -> int:
        """Where hyperframes begin: the place at which most sync characters are one hyperframe apart."""
        words = self._as_words(bytes(self._held[: len(self._held) // self._size * self._size]))
        size = self._size // self._width
        here = np.ones(len(words), bool)
        for y, octet in self._table.sync.items():
            wanted = (words & 0x1FF) == (octet | 0x100) if self._flags else words == octet
            here &= np.roll(wanted, -y)
        hits = np.bincount(np.flatnonzero(here) % size, minlength=size)
        # Where the board cuts is as good as any other place, if sync characters do not say otherwise.
        best = int(hits.argmax())
        return 0 if hits[0] == hits[best] else best * self._width

    def _as_words(self, data: bytes) -> U16:
        return np.frombuffer(data, "<u2" if self._flags else np.uint8).astype(np.uint16)

    def _words(self, data: bytes) -> U16:
        words: U16 = self._as_words(data).reshape(-1, 256, 16, self._table.word_octets)[:, :, 0, :]
        return words


def check_line_answers(link: LiveLink, conditions: LiveConditions, version: int | None) -> list[AnswerResult]:
    """Have known frames and control bits sent, and compare the octets on the line with the table.

    A frame or a fault that the board refuses is not proven. `version` is the protocol version that the link
    announces; scrambled octets, and blocks of 66 bits, are not read. InputError where the board is gone.
    """
    blocks = conditions.line.line_code == "64b66b"
    table = LineTable(conditions.option, blocks)
    why = "line data are scrambled" if version == 2 else ""
    if link.form is LineForm.BLOCKS:
        why = "line data are blocks of 66 bits"
    if why:
        rule = "control octets of a board that sends known frames"
        row = AnswerResult("line of the board", Plane.SYNC, rule, "CPRI 4.2.7", Outcome.NOT_PROVEN, "", why)
        return [row, *(replace(row, plane=plane) for plane in _PLANES)]
    gathering = _Gathering(link, table)
    gathering.more(_LEAD)
    settings = (conditions.rate_code, conditions.pointer_p)
    if gathering.runs:
        settings = table.settings(gathering.runs)
    asking = _Asking()
    frames = [_asked(asking, link, table, settings, frame) for frame in KNOWN_FRAMES]
    placed = [_held(asking, gathering, link, *fault) for fault in _faults(table)]
    _gather(gathering, table, frames, 2 * tail_hyperframes(conditions.line, *settings) + _LEAST)
    if not gathering.runs:
        raise InputError(f"{link.source.description}: no hyperframe of line data came whole")
    return line_answers(conditions.option, blocks, gathering.runs, frames, placed)


def _gather(gathering: _Gathering, table: LineTable, frames: Sequence[SentKnownFrame], most: int) -> None:
    """Hyperframes until every frame has been seen, `most` of them at the most."""
    waiting = [sent for sent in frames if sent.start is not None]
    while gathering.count < most:
        gathering.more(_LOOK)
        if not gathering.runs:
            return
        settings = table.settings(gathering.runs)
        waiting = [sent for sent in waiting if not times_sent(table, gathering.runs, settings, sent)]
        if not waiting and gathering.count >= _LEAST:
            break
    gathering.more(_AFTERWARDS)


class _Asking:
    """Asks a board for one thing after the other; one that has not answered once is not asked again."""

    def __init__(self) -> None:
        self._silent = ""

    def ask(self, what: Callable[[], int]) -> tuple[int | None, str]:
        """The hyperframe from which on it holds, or why it does not."""
        if self._silent:
            return None, self._silent
        try:
            return what(), ""
        except RefusedError as reason:
            return None, str(reason)
        except InputError as reason:
            self._silent = str(reason)
            return None, self._silent


def _asked(
    asking: _Asking, link: LiveLink, table: LineTable, settings: tuple[int, int], frame: KnownFrame
) -> SentKnownFrame:
    code, pointer = settings
    there = code in table.rate_codes if frame.plane is Plane.HDLC else pointer >= 20
    if not there:
        return SentKnownFrame(frame, None, "the link has no such channel")
    source = link.source
    if not isinstance(source, FrameSource):
        return SentKnownFrame(frame, None, "frames cannot be sent to this source")
    return SentKnownFrame(frame, *asking.ask(lambda: source.send_frame(_PLANES[frame.plane], frame.data)))


def _faults(table: LineTable) -> Iterator[tuple[str, PlacedBit]]:
    """Faults that set control octets, and what must be seen of each."""
    x, y = table.alarms_at
    for name in _ALARMS:
        mask = table.alarm_masks[name]
        yield f"l1.{name}:hyperframes={_HOLD}", PlacedBit(name.upper(), x, y, mask, mask, _HOLD, None)
    y = table.control_octets - 1
    name = f"vendor specific octet Ns {_VENDOR_NS} Xs {_VENDOR_XS} Y {y}"
    values = f"ns={_VENDOR_NS},xs={_VENDOR_XS},y={y},value={_VENDOR_VALUE},hyperframes={_HOLD}"
    x = _VENDOR_NS + 64 * _VENDOR_XS
    yield f"vendor.value:{values}", PlacedBit(name, x, y, 0xFF, _VENDOR_VALUE, _HOLD, None)


def _held(asking: _Asking, gathering: _Gathering, link: LiveLink, text: str, bit: PlacedBit) -> PlacedBit:
    """Put one fault in, and wait until it is over: no two may be in one hyperframe, or they could be exchanged."""
    start, refused = asking.ask(lambda: link.source.inject(text).hyperframe)
    if start is None:
        return replace(bit, refused=refused)
    gathering.more(_HOLD)
    while gathering.runs and gathering.next < start + _HOLD + 2 and start - gathering.next < _MOST_AHEAD:
        gathering.more(_HOLD)
    return replace(bit, start=start)
