"""The IQ data of one AxC: level, peak, DC offset, its spectrum, and I against Q, of one hyperframe.

Where samples lie in the IQ block is a setting that is not on the link (CPRI V7.0 clause 4.2.7.2); a map that
nobody gave is said to be assumed. 0 dBFS is a complex tone whose I and Q reach 2^(M-1) (common practice, no
source). It shows one hyperframe as it is; nothing is averaged, and nothing is demodulated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from rich.segment import Segment
from textual.binding import Binding, BindingType

from decoders.errors import DecodersError
from decoders.linerates import BASIC_FRAMES_PER_HYPERFRAME, option_named
from decoders.user_plane.axc_container import AxcContainer
from decoders.user_plane.iq_levels import dc_offset, level_dbfs, peak
from decoders.user_plane.iq_map import IqMap
from decoders.user_plane.iq_packing import Samples

from ..links.snapshot import Snapshot
from .cells import fit, inert_cells, wrapped
from .line_pane import Line, LinePane
from .palette import Look

__all__ = ["IqChoice", "IqPage", "braille", "columns_db", "dots", "iq_pictures", "spectrum_db"]

FLOOR_DB = -96.0
_EIGHTHS = " ▁▂▃▄▅▆▇█"
_BRAILLE = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
"""Bit of each dot of a braille character, by row and column (Unicode block 2800)."""
_HEAD = 3
_GAP = 2
_SCALE = 5


@dataclass(slots=True)
class IqChoice:
    """The IQ map that is shown, parsed for the option of the link; `text` None assumes one."""

    text: str | None
    option: str = ""
    map: IqMap | None = None
    problem: str = ""

    def take(self, option_name: str) -> None:
        """Parse anew where the option is another one; what is wrong with the map is kept in `problem`."""
        if option_name == self.option:
            return
        self.option = option_name
        option = option_named(option_name)
        try:
            text = self.text or f"M=15,fs=3.84,n={option.iq_bits_per_basic_frame // 30}"
            self.map, self.problem = IqMap.parse(option, text), ""
        except DecodersError as problem:
            self.map, self.problem = None, str(problem)

    def samples(self, snapshot: Snapshot) -> dict[str, Samples] | None:
        """Samples (n, 2) by name of the hyperframe that the snapshot holds; None where there is none."""
        self.take(snapshot.option)
        if self.map is None or snapshot.iq_octets is None:
            return None
        return self.map.unpack(snapshot.iq_octets, snapshot.hfn * BASIC_FRAMES_PER_HYPERFRAME)


def spectrum_db(samples: Samples, sample_width: int) -> NDArray[np.float64]:
    """Power of each bin of samples (n, 2) in dBFS, lowest frequency first; a tone on a bin has its own level.

    One discrete Fourier transform under a Hann window.
    """
    n = len(samples)
    if not n:
        return np.zeros(0)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    signal = (samples[:, 0] + 1j * samples[:, 1]) * window
    size = np.abs(np.fft.fftshift(np.fft.fft(signal))) / max(window.sum(), 1.0) / 2 ** (sample_width - 1)
    return np.asarray(20 * np.log10(np.maximum(size, 1e-12)))


def columns_db(bins: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """The strongest bin of each of `width` columns."""
    edges = np.arange(width) * len(bins) // width
    return np.maximum.reduceat(bins, edges) if len(bins) >= width else bins[edges]


def dots(samples: Samples, sample_width: int, zoom: int, side: int) -> NDArray[np.bool_]:
    """(side, side) dots: I to the right, Q upwards; the edge stands for full scale / zoom."""
    half = 2 ** (sample_width - 1) / zoom
    at = np.floor((samples / half + 1) / 2 * side).astype(np.int64)
    at = np.clip(at, 0, side - 1)
    grid = np.zeros((side, side), np.bool_)
    grid[side - 1 - at[:, 1], at[:, 0]] = True
    return grid


def braille(grid: NDArray[np.bool_]) -> list[str]:
    """Dots (4 rows, 2 columns a character) as braille characters; a character without dots is a space."""
    rows, columns = grid.shape[0] // 4, grid.shape[1] // 2
    cells = grid[: rows * 4, : columns * 2].reshape(rows, 4, columns, 2).transpose(0, 2, 1, 3)
    codes = (cells * _BRAILLE).sum(axis=(2, 3))
    return ["".join(chr(0x2800 + code) if code else " " for code in row) for row in codes.tolist()]


class IqPage(LinePane, can_focus=True):
    """The chosen AxC, in the place of the hyperframe."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("i", "app.iq", "back to the hyperframe", id="iq.back"),
        Binding("left", "axc(-1)", "previous AxC", id="iq.left"),
        Binding("right", "axc(1)", "next AxC", id="iq.right"),
    ]

    def __init__(self, look: Look, choice: IqChoice) -> None:
        super().__init__(look, id="iq")
        self.choice = choice
        self.index = 0
        self._snapshot: Snapshot | None = None

    def update(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot
        look, width = self.look, self.size.width
        samples = self.choice.samples(snapshot)
        if samples is None or self.choice.map is None:
            told = inert_cells(self.choice.problem) or "no IQ data"
            style = look.bad if self.choice.problem else look.quiet
            self.show([(Segment(part, style),) for part in wrapped(told, width)])
            return
        chosen = [(member, axc) for axc in self.choice.map.axcs for member in axc.members]
        self.index = min(self.index, len(chosen) - 1)
        name, axc = chosen[self.index]
        lines = self._head(snapshot, name, axc, len(chosen), samples[name])
        if len(samples[name]):
            lines += iq_pictures(samples[name], axc, width, self.size.height - _HEAD, look)
        self.show(lines[: self.size.height])

    def action_axc(self, by: int) -> None:
        self.index = max(self.index + by, 0)
        if self._snapshot is not None:
            self.update(self._snapshot)

    def _head(
        self, snapshot: Snapshot, name: str, axc: AxcContainer, count: int, samples: Samples
    ) -> list[Line]:
        look, width = self.look, self.size.width
        assumed = "" if self.choice.text else " assumed"
        where = f" AxC {inert_cells(name)} ({self.index + 1} of {count})"
        about = (
            f"{assumed}  M {axc.sample_width}  {axc.sample_rate_hz / 1e6:.10g} Msps  bit {axc.start_bit}"
            f"  {len(samples)} samples of {snapshot.bfn:4d}.{snapshot.hfn:03d}"
        )
        head = (
            Segment(fit(where, width), look.strong),
            Segment(fit(about, max(width - len(where), 0)), look.text),
        )
        if not len(samples):
            return [head, (Segment(fit(" no whole container block in one hyperframe", width), look.quiet),)]
        full = 2 ** (axc.sample_width - 1)
        level, top = level_dbfs(samples, axc.sample_width), peak(samples)
        i, q = dc_offset(samples)
        told = " silent"
        if level != -math.inf:
            told = (
                f" level {level:6.1f} dBFS   peak {20 * math.log10(top / full):6.1f} dBFS"
                f"   DC I {i / full:+8.5f}  Q {q / full:+8.5f} of full scale"
            )
        return [head, (Segment(fit(told, width), look.text),)]


def iq_pictures(samples: Samples, axc: AxcContainer, width: int, height: int, look: Look) -> list[Line]:
    """I against Q on the left, the spectrum on the right; each has its line of words above."""
    rows = min(height, (width - _GAP) // 4)
    right = width - 2 * rows - 2 - _GAP
    if rows < 4 or right < 16 + _SCALE:
        return []
    top = peak(samples)
    zoom = 2 ** max(math.floor(math.log2(2 ** (axc.sample_width - 1) / top)), 0) if top else 1
    edge = "full scale" if zoom == 1 else f"full scale / {zoom}"
    plot = braille(dots(samples, axc.sample_width, zoom, 4 * rows))
    lines: list[Line] = [
        (
            Segment(fit(f" I > Q ^  edge {edge}", 2 * rows + 2).ljust(2 * rows + 2 + _GAP), look.quiet),
            Segment(fit(f"{'dBFS':>{_SCALE - 1}} spectrum, Hann window", right), look.quiet),
        )
    ]
    bars = _bars(samples, axc, right - _SCALE, rows - 1, look)
    for i in range(rows):
        beside = bars[i] if i < rows - 1 else (Segment(_axis(axc, right), look.quiet),)
        lines.append(
            (
                Segment("|", look.quiet),
                Segment(plot[i], look.text),
                Segment("|" + " " * _GAP, look.quiet),
                *beside,
            )
        )
    return lines


def _bars(samples: Samples, axc: AxcContainer, width: int, height: int, look: Look) -> list[Line]:
    """Eighths of a character from the floor up, with the level of some lines at the left."""
    levels = columns_db(spectrum_db(samples, axc.sample_width), width)
    eighths = np.clip((levels - FLOOR_DB) / -FLOOR_DB, 0, 1) * height * 8
    lines: list[Line] = []
    for row in range(height):
        part = np.clip(eighths - (height - 1 - row) * 8, 0, 8).astype(np.int64)
        bar = "".join(_EIGHTHS[i] for i in part.tolist())
        mark = f"{round(FLOOR_DB * row / height):4d} " if row % 4 == 0 else " " * _SCALE
        lines.append((Segment(mark, look.quiet), Segment(bar, look.good)))
    return lines


def _axis(axc: AxcContainer, width: int) -> str:
    edge = f"{axc.sample_rate_hz / 2e6:.10g}"
    room = width - _SCALE
    left, right = f"-{edge}", f"+{edge} MHz"
    middle = "0".center(max(room - 2 * max(len(left), len(right)), 0))
    side = (room - len(middle)) // 2
    return (" " * _SCALE + left.ljust(side) + middle + right.rjust(room - side - len(middle)))[:width]
