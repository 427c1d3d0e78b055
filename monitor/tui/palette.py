"""Letters, glyphs and colours: what each plane and each judgement looks like, with and without colour.

Every distinction is a letter, a glyph or an attribute first; colour only repeats it. The colours run from blue
to orange, because those stay apart for protanopes and deuteranopes (common practice, no source). Contrast is
held to 4.5:1 by a test (WCAG 2.1 success criterion 1.4.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from rich.color import Color
from rich.style import Style

from decoders.events import Plane

__all__ = ["BAD", "CHANGED", "GOOD", "LETTERS", "MOVED", "NAMES", "NOTE", "SHORT_NAMES", "ZERO", "Look"]

Rgb = tuple[int, int, int]

LETTERS = {
    Plane.LINE: "K",
    Plane.SYNC: "S",
    Plane.L1: "L",
    Plane.HDLC: "H",
    Plane.ETHERNET: "E",
    Plane.VENDOR: "V",
    Plane.CTRL_AXC: "C",
    Plane.RESERVED: "R",
    Plane.IQ: "I",
}
NAMES = {
    Plane.LINE: "line code",
    Plane.SYNC: "sync and timing",
    Plane.L1: "L1 inband protocol",
    Plane.HDLC: "slow C&M (HDLC)",
    Plane.ETHERNET: "fast C&M (Ethernet)",
    Plane.VENDOR: "vendor specific",
    Plane.CTRL_AXC: "Ctrl_AxC",
    Plane.RESERVED: "reserved",
    Plane.IQ: "IQ data",
}

SHORT_NAMES = {
    Plane.LINE: "line code",
    Plane.SYNC: "sync",
    Plane.L1: "L1 inband",
    Plane.HDLC: "slow C&M",
    Plane.ETHERNET: "fast C&M",
    Plane.VENDOR: "vendor",
    Plane.CTRL_AXC: "Ctrl_AxC",
    Plane.RESERVED: "reserved",
    Plane.IQ: "IQ data",
}
STREAMS = frozenset({Plane.HDLC, Plane.ETHERNET})
"""Planes whose octets are a stream of frames, so that nearly all of them differ in every hyperframe."""

GOOD, BAD, NOTE, MOVED = "+", "!", "-", "~"
"""Judgements as glyphs: good, wrong, a state or setting, octets that changed."""
CHANGED, CHANGED_BESIDE = "*", "+"
"""Marks behind an octet: it changed since the last refresh; another octet of its word did."""
ZERO, UNKNOWN = "..", "--"
"""An octet 00; an octet that has not been received."""

BACKGROUND: Rgb = (0x0E, 0x15, 0x1D)
RAISED: Rgb = (0x1B, 0x27, 0x33)
TEXT: Rgb = (0xE6, 0xEA, 0xEE)
QUIET: Rgb = (0x9C, 0xAA, 0xB8)
CHANGED_TEXT: Rgb = (0xFF, 0xFF, 0xFF)
GOOD_COLOUR: Rgb = (0x7F, 0xC3, 0xFF)
BAD_COLOUR: Rgb = (0xFF, 0x94, 0x3C)
"""Of errors alone: no plane has a colour near it."""
PLANE_COLOURS: dict[Plane, Rgb] = {
    Plane.LINE: (0xE0, 0xC8, 0xB0),
    Plane.SYNC: (0xF4, 0xF4, 0xF4),
    Plane.L1: (0xFF, 0xE1, 0x7A),
    Plane.HDLC: (0x6C, 0xB4, 0xFF),
    Plane.ETHERNET: (0x8F, 0xE3, 0xD8),
    Plane.VENDOR: (0xCF, 0xAE, 0xFF),
    Plane.CTRL_AXC: (0xDC, 0xC3, 0x9A),
    Plane.RESERVED: (0x9A, 0xA8, 0xB6),
    Plane.IQ: (0xC4, 0xD2, 0xF0),
}
_TINT = {Plane.RESERVED: 0.05, Plane.SYNC: 0.17}
_TINT_CHANGED = 0.42


def plane_background(plane: Plane, *, changed: bool = False) -> Rgb:
    """The dark tint behind a plane's octets; a stronger one behind those that changed."""
    share = _TINT_CHANGED if changed else _TINT.get(plane, 0.19)
    r, g, b = (
        round(low + (high - low) * share) for low, high in zip(BACKGROUND, PLANE_COLOURS[plane], strict=True)
    )
    return r, g, b


def _style(front: Rgb, back: Rgb, *, bold: bool = False) -> Style:
    return Style(color=Color.from_rgb(*front), bgcolor=Color.from_rgb(*back), bold=bold)


@dataclass(frozen=True)
class Look:
    """Styles of one session; without `colour` only bold and reverse are used."""

    colour: bool = True

    @cached_property
    def text(self) -> Style:
        return _style(TEXT, BACKGROUND) if self.colour else Style()

    @cached_property
    def strong(self) -> Style:
        return self.text + Style(bold=True)

    @cached_property
    def quiet(self) -> Style:
        return _style(QUIET, BACKGROUND) if self.colour else Style()

    @cached_property
    def bar(self) -> Style:
        """Lines that frame the screen: the views above, the keys below."""
        return _style(TEXT, RAISED) if self.colour else Style()

    @cached_property
    def bar_key(self) -> Style:
        return _style(PLANE_COLOURS[Plane.L1], RAISED, bold=True) if self.colour else Style(bold=True)

    @cached_property
    def bar_chosen(self) -> Style:
        return _style(BACKGROUND, GOOD_COLOUR, bold=True) if self.colour else Style(bold=True, reverse=True)

    @cached_property
    def good(self) -> Style:
        return _style(GOOD_COLOUR, BACKGROUND) if self.colour else Style()

    @cached_property
    def bad(self) -> Style:
        return _style(BAD_COLOUR, BACKGROUND, bold=True) if self.colour else Style(bold=True)

    @cached_property
    def alarm(self) -> Style:
        """An alarm that stands, or a verdict that fails."""
        return _style(BACKGROUND, BAD_COLOUR, bold=True) if self.colour else Style(bold=True, reverse=True)

    @cached_property
    def cursor(self) -> Style:
        return _style(BACKGROUND, TEXT, bold=True) if self.colour else Style(bold=True, reverse=True)

    def plane(self, plane: Plane, *, bold: bool = False) -> Style:
        """A plane's letter on the plain background."""
        return _style(PLANE_COLOURS[plane], BACKGROUND, bold=bold) if self.colour else Style(bold=bold)

    def octet(self, plane: Plane, *, changed: bool) -> Style:
        """An octet of a plane on its tint. One that changed is bold; where that is rare, white on a stronger tint."""
        if not self.colour:
            return Style(bold=changed)
        if changed and plane not in STREAMS:
            return _style(CHANGED_TEXT, plane_background(plane, changed=True), bold=True)
        return _style(PLANE_COLOURS[plane], plane_background(plane), bold=changed)

    def bar_of(self, plane: Plane) -> Style:
        """The head of a plane's octets: dark on the plane's own colour."""
        if not self.colour:
            return Style(bold=True, reverse=True)
        return _style(BACKGROUND, PLANE_COLOURS[plane], bold=True)

    def badge(self, plane: Plane) -> Style:
        """The letter of a plane in lists; without colour the letter alone tells it."""
        return self.bar_of(plane) if self.colour else Style(bold=True)
