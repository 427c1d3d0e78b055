"""The control words of the last hyperframe as 64 subchannels by 4 words, folded to the width at hand.

Each cell is octet Z.X.0 of the word X = Ns + 64*Xs (CPRI V7.0 clause 4.2.7.2), with room also the octets Y
below it, in hex on its plane's tint, under a bar with the plane's letter, its first subchannel and its errors. A
mark behind an octet tells that it changed since the last refresh; C&M octets, which nearly all do, are bold
instead. It shows what the snapshot holds and decodes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message

from decoders.events import Plane

from ..links.snapshot import Snapshot
from ..text import counted
from .line_pane import Line, LinePane
from .palette import CHANGED, CHANGED_BESIDE, LETTERS, NAMES, STREAMS, UNKNOWN, ZERO, Look

__all__ = ["LABEL", "Matrix", "bands_for"]

LABEL = 5
CELL = 3
_SUBCHANNELS, _WORDS = 64, 4
_HEX = (ZERO, *(f"{octet:02X}" for octet in range(1, 256)))
_ROWS_OF_OCTETS = (2, 4, 5, 8, 10, 16)


def bands_for(width: int) -> int:
    """Into how many bands the 64 subchannels are folded."""
    return next((bands for bands in (1, 2) if width >= bands_width(bands)), 4)


def bands_width(bands: int) -> int:
    """Cells that so many bands need."""
    return LABEL + _SUBCHANNELS // bands * CELL


def _height(bands: int, octets: int) -> int:
    return bands * (1 + _WORDS * octets) + bands - 1


@lru_cache(16384)
def _cell(look: Look, plane: Plane, octet: str, mark: str, changed: bool, cursor: bool) -> Segment:
    return Segment(octet + mark, look.cursor if cursor else look.octet(plane, changed=changed))


class Matrix(LinePane, can_focus=True):
    """The folded hyperframe with a cursor on one word."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1,0)", "previous subchannel", id="link.left"),
        Binding("right", "move(1,0)", "next subchannel", id="link.right"),
        Binding("up", "move(0,-1)", "previous word", id="link.up"),
        Binding("down", "move(0,1)", "next word", id="link.down"),
        Binding("i", "app.iq", "IQ data: level, spectrum, I against Q", id="link.iq"),
        *(
            Binding(
                letter.lower(), f"plane('{plane.value}')", f"go to {NAMES[plane]}", id=f"link.{plane.value}"
            )
            for plane, letter in LETTERS.items()
            if plane not in (Plane.LINE, Plane.IQ)
        ),
    ]

    class Moved(Message):
        """The cursor stands on another word."""

    def __init__(self, look: Look) -> None:
        super().__init__(look, id="matrix")
        self.ns, self.xs = 0, 0
        self._octets = 1
        self._snapshot: Snapshot | None = None
        self._errors: Mapping[Plane, int] = {}
        self._counts: NDArray[np.int64] | None = None
        self._changed: NDArray[np.bool_] | None = None

    def lay_out(self, snapshot: Snapshot, room: Size, *, above: bool) -> None:
        """Choose how many octets Y of each word have a row, and so the height, from the view's room.

        Beside its details there is room for Z.X.0 only; `above` them, for as many as leave 16 lines.
        """
        octets = 1
        if above:
            bands = bands_for(room.width)
            most = 1 if snapshot.control is None else snapshot.control.shape[1]
            for wanted in _ROWS_OF_OCTETS:
                if wanted <= most and _height(bands, wanted) <= room.height - 16:
                    octets = wanted
            self.styles.height = _height(bands, octets) + 1
        else:
            self.styles.height = "100%"
        if octets != self._octets:
            self._octets = octets
            self._draw()

    def forget(self) -> None:
        """What is shown next is from elsewhere: nothing of it has changed."""
        self._counts = None

    def update(self, snapshot: Snapshot, errors: Mapping[Plane, int] | None = None) -> None:
        """Show a snapshot; octets whose change count moved since the last one are marked.

        `errors` are those of each plane since the mark; they stand in the plane's bar.
        """
        self._errors = errors or {}
        if snapshot is self._snapshot:
            self._draw()
            return
        counts = snapshot.change_counts
        if counts is None:
            self._changed = None
        elif self._counts is None or self._counts.shape != counts.shape:
            self._changed = np.zeros(counts.shape, np.bool_)
        else:
            self._changed = counts != self._counts
        self._counts = counts
        self._snapshot = snapshot
        self._draw()

    def action_move(self, across: int, down: int) -> None:
        self.ns = min(max(self.ns + across, 0), _SUBCHANNELS - 1)
        if down:
            size = _SUBCHANNELS // bands_for(self.size.width)
            band, column = divmod(self.ns, size)
            row = min(max(band * _WORDS + self.xs + down, 0), _SUBCHANNELS // size * _WORDS - 1)
            band, self.xs = divmod(row, _WORDS)
            self.ns = band * size + column
        self._moved()

    def action_plane(self, name: str) -> None:
        """Go to the plane's first subchannel; from inside it, to its next stretch."""
        if self._snapshot is None:
            return
        owners = self._snapshot.owners
        starts = [
            ns for ns, owner in enumerate(owners) if owner == name and (ns == 0 or owners[ns - 1] != name)
        ]
        if starts:
            self.ns = next((ns for ns in starts if ns > self.ns), starts[0])
            self._moved()

    def on_click(self, event: events.Click) -> None:
        size = _SUBCHANNELS // bands_for(self.size.width)
        band, row = divmod(event.y, self._stride())
        column = (event.x - LABEL) // CELL
        if 0 <= column < size and 1 <= row <= _WORDS * self._octets and band * size < _SUBCHANNELS:
            self.ns, self.xs = band * size + column, (row - 1) // self._octets
            self._moved()

    def _moved(self) -> None:
        self._draw()
        self.post_message(self.Moved())

    def _stride(self) -> int:
        bands = bands_for(self.size.width)
        return self._band_rows + (1 if self.size.height >= _height(bands, self._octets) else 0)

    @property
    def _band_rows(self) -> int:
        return 1 + _WORDS * self._octets

    def _draw(self) -> None:
        snapshot = self._snapshot
        if snapshot is None or not self.size.width:
            return
        bands = bands_for(self.size.width)
        size = _SUBCHANNELS // bands
        lines: list[Line] = []
        for band in range(bands):
            if band and self._stride() > self._band_rows:
                lines.append(())
            lines.append(self._bar(snapshot, band * size, size))
            for xs in range(_WORDS):
                lines += [self._row(snapshot, band * size, size, xs, y) for y in range(self._octets)]
        self.show(lines)

    def _bar(self, snapshot: Snapshot, first: int, size: int) -> Line:
        """Where each plane begins, and how many errors it has had."""
        line = [Segment("  Ns ", self.look.quiet)]
        ns = first
        while ns < first + size:
            plane, end = snapshot.owners[ns], ns + 1
            while end < first + size and snapshot.owners[end] is plane:
                end += 1
            width = (end - ns) * CELL
            errors = self._errors.get(plane, 0)
            style = self.look.alarm if errors else self.look.bar_of(plane)
            text = f"{LETTERS[plane]}{ns}"
            if errors:
                told = f"{text} ! {counted(errors, 'error')} "
                text = told if len(told) < width else f"{text}!"[-CELL:]
            line.append(Segment(text, style))
            rest = width - len(text)
            line.append(Segment("─" * (rest - 1) + " " * min(rest, 1), self.look.octet(plane, changed=False)))
            ns = end
        return tuple(line)

    def _row(self, snapshot: Snapshot, first: int, size: int, xs: int, y: int) -> Line:
        line = [Segment(f" Xs{xs} " if y == 0 else f"  Y{y:<2}"[:LABEL], self.look.quiet)]
        x = first + _SUBCHANNELS * xs
        look, owners = self.look, snapshot.owners[first : first + size]
        if snapshot.control is None or self._changed is None:
            return (*line, *(_cell(look, plane, UNKNOWN, " ", False, False) for plane in owners))
        octets: list[int] = snapshot.control[x : x + size, y].tolist()
        changed: list[bool] = self._changed[x : x + size, y].tolist()
        last = y == self._octets - 1 and self._octets < self._changed.shape[1]
        beside = changed
        if last:
            beside = np.asarray(self._changed[x : x + size, self._octets :].any(axis=1)).tolist()
        cursor = self.ns if xs == self.xs and y == 0 else -1
        for ns, plane, octet, moved, more in zip(
            range(first, first + size), owners, octets, changed, beside, strict=True
        ):
            mark = " "
            if plane not in STREAMS:
                mark = CHANGED if moved else CHANGED_BESIDE if more else " "
            line.append(_cell(look, plane, _HEX[octet], mark, moved, ns == cursor))
        return tuple(line)
