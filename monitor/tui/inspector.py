"""Beside the hyperframe: the word under the cursor in full, all planes in a table, and the level of the IQ data.

Decoded meanings are those of CPRI V7.0 clauses 4.2.7.4 (timing) and 4.2.7.6 (L1 inband protocol). Where
samples lie in the IQ block is a setting that is not on the link; the map used here is shown as assumed.
"""

from __future__ import annotations

import math
from typing import Any, ClassVar

from numpy.typing import NDArray
from rich.segment import Segment

from decoders.events import Plane
from decoders.frame_structure.controlwords import (
    X_ALARMS,
    X_BFN_HIGH,
    X_BFN_LOW,
    X_HFN,
    X_POINTER,
    X_RATE,
    X_VERSION,
    subchannel_name,
)
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.code_8b10b import K28_5
from decoders.linerates import EIGHT_TEN, LineRateOption, option_named
from decoders.user_plane.iq_levels import dc_offset, level_dbfs, peak

from ..links.snapshot import NEVER, Snapshot
from ..text import counted
from .cells import count, fit, inert_cells, wrapped
from .feed import Feed
from .iq_view import IqChoice, iq_pictures
from .line_pane import Line, LinePane
from .palette import CHANGED, CHANGED_BESIDE, LETTERS, NAMES, SHORT_NAMES, ZERO, Look

__all__ = ["Inspector", "Levels", "PlaneTable", "word_meaning"]

_FLOOR_DB = -60.0
_LEAST_PICTURE = 8


def word_meaning(x: int, word: bytes, option: LineRateOption) -> str:
    """What the word X of subchannel 0 or 2 means; empty for the others."""
    first = word[0]
    if x == 0:
        if option.line_code != EIGHT_TEN:
            return "sync word"
        return "sync byte K28.5" if first == K28_5 else "sync byte missing"
    if x == X_HFN:
        return f"HFN {first}"
    if x == X_BFN_LOW:
        return f"BFN bits 7..0: {first}"
    if x == X_BFN_HIGH:
        return f"BFN bits 11..8: {first & 15}"
    if x == X_VERSION:
        return f"protocol version {first}"
    if x == X_RATE:
        code = first & 7
        rate = option.hdlc_bit_rate(code)
        named = "none" if rate == 0 else f"{rate // 1000} kbit/s" if rate else "not valid"
        return f"HDLC code {code}: {named}"
    if x == X_ALARMS:
        names = [name.upper() for name, mask in ALARM_BITS.items() if first & mask]
        return "alarms " + (" ".join(names) if names else "none")
    if x == X_POINTER:
        p = first & 63
        return f"pointer p = {p}" + ("" if p else ": no Ethernet")
    return ""


def _hex(word: bytes) -> str:
    return " ".join(word[i : i + 4].hex().upper() for i in range(0, len(word), 4))


class Inspector(LinePane):
    """The subchannel under the cursor."""

    def update(self, snapshot: Snapshot, ns: int, xs: int) -> None:
        look, width = self.look, self.size.width
        plane = snapshot.owners[ns]
        x = ns + 64 * xs
        lines: list[Line] = [
            (
                Segment(f"Ns {ns:2d} ", look.strong),
                Segment(f" {LETTERS[plane]} ", look.badge(plane)),
                Segment(f" {plane.value}", look.plane(plane, bold=True)),
            ),
            (Segment(fit(subchannel_name(ns, snapshot.pointer_p), width), look.text),),
        ]
        if snapshot.control is None or snapshot.change_counts is None or snapshot.changed_at is None:
            lines.append((Segment(fit("- no hyperframe yet", width), look.quiet),))
            self.show(lines)
            return
        tail = self._changes(snapshot, x, width)
        room = self.size.height - len(lines) - len(tail)
        words = [self._word(snapshot, ns, i, i == xs, meaning=True) for i in range(4)]
        if sum(map(len, words)) > room:
            words = [self._word(snapshot, ns, i, i == xs, meaning=i == xs) for i in range(4)]
        if sum(map(len, words)) > room:
            words = [self._word(snapshot, ns, xs, True, meaning=True)]
        for word in words:
            lines += word
        self.show([*lines, *tail][: self.size.height])

    def _word(self, snapshot: Snapshot, ns: int, xs: int, here: bool, *, meaning: bool) -> list[Line]:
        look, width = self.look, self.size.width
        assert snapshot.control is not None
        x = ns + 64 * xs
        word = bytes(snapshot.control[x])
        lines: list[Line] = []
        for at, part in enumerate(wrapped(_hex(word), width - 4)):
            label = f"{'>' if here else ' '}{xs}  " if at == 0 else "    "
            lines.append((Segment(label, look.quiet), Segment(part, look.strong if here else look.text)))
        meant = word_meaning(x, word, option_named(snapshot.option)) if meaning else ""
        if meant:
            lines.append((Segment("    " + fit(meant, width - 4), look.good),))
        return lines

    def _changes(self, snapshot: Snapshot, x: int, width: int) -> list[Line]:
        look = self.look
        assert snapshot.control is not None
        assert snapshot.change_counts is not None and snapshot.changed_at is not None
        octet, changes = int(snapshot.control[x, 0]), int(snapshot.change_counts[x, 0])
        times = "has not changed" if not changes else f"changed {count(changes, width - 14)} times"
        lines: list[Line] = [
            (Segment(f"#Z.{x}.0 ", look.quiet), Segment(f"bits {octet:08b}", look.text)),
            (Segment(fit(times, width), look.text),),
        ]
        at = int(snapshot.changed_at[x].max())
        if at != NEVER:
            which = "last change" if snapshot.changed_at[x, 0] == at else "word changed"
            lines.append((Segment(fit(f"{which} at hf {at}", width), look.text),))
        return lines


class PlaneTable(LinePane):
    """Each plane with its letter, what is counted on it since the mark, and with room its place and bit rate."""

    _COUNTED: ClassVar[dict[Plane, tuple[str, str]]] = {
        Plane.HDLC: ("hdlc_frames", "good frame"),
        Plane.ETHERNET: ("ethernet_frames", "good frame"),
        Plane.VENDOR: ("vendor_changes", "change"),
        Plane.CTRL_AXC: ("ctrl_axc_changes", "change"),
        Plane.RESERVED: ("reserved_changes", "change"),
    }
    _SHOWN = tuple(plane for plane in LETTERS if plane is not Plane.IQ)
    _ROOMY = 50

    def update(self, feed: Feed) -> None:
        roomy = self.size.width >= self._ROOMY
        since = "since mark" if feed.marked_at else "since start"
        head = f"planes of this link, counts {since}" if roomy else since.rjust(max(self.size.width - 1, 0))
        lines: list[Line] = [(Segment(fit(head, self.size.width), self.look.quiet),)]
        lines += [self._row(feed, plane, roomy=roomy) for plane in self._SHOWN]
        if roomy:
            lines.append(())
            for text in (
                f"{CHANGED} changed since the last refresh (C&M octets: bold)",
                f"{CHANGED_BESIDE} another octet of the word changed    {ZERO} octet 00",
            ):
                lines.append((Segment(fit(text, self.size.width), self.look.quiet),))
        self.show(lines)

    def _row(self, feed: Feed, plane: Plane, *, roomy: bool) -> Line:
        look, width = self.look, self.size.width
        errors = feed.errors_by_plane.get(plane, 0)
        counter = self._COUNTED.get(plane)
        shown = feed.since_mark(counter[0]) if counter else 0
        told = counted(shown, counter[1]) if counter else "no errors"
        if errors:
            told = counted(errors, "error")
        if not feed.known:
            told = "-"
        glyph = "!" if errors else " "
        style = look.alarm if errors else look.text if shown or not counter else look.quiet
        badge = Segment(f" {LETTERS[plane]} ", look.badge(plane))
        if not roomy:
            name = f" {SHORT_NAMES[plane]:<9}"
            small = told.replace("good ", "")
            if len(small) > width - 15 and counter and not errors:
                small = f"{count(shown, 6)} {counter[1].removeprefix('good ')}s"
            text = f"{glyph} {small}".rjust(max(width - 14, 0))
            return badge, Segment(name, look.text), Segment(fit(text, max(width - 13, 0)), style)
        places = _stretches([ns for ns, owner in enumerate(feed.snapshot.owners) if owner is plane])
        place = f"Ns {places}" if places != "none" else "all octets" if plane is Plane.LINE else "none"
        rate = self._rate(feed.snapshot, plane)
        text = f" {glyph} {told}" + (f", {counted(shown, counter[1])}" if errors and counter else "")
        return (
            badge,
            Segment(f" {NAMES[plane]:<20}{place:<14}", look.text if places != "none" else look.quiet),
            Segment(f"{rate:>14} ", look.quiet),
            Segment(fit(text, max(width - 52, 0)), style),
        )

    @staticmethod
    def _rate(snapshot: Snapshot, plane: Plane) -> str:
        option = option_named(snapshot.option)
        if plane is Plane.HDLC:
            bits = option.hdlc_bit_rate(snapshot.hdlc_rate_code)
            return f"{bits / 1e6:.10g} Mbit/s" if bits else ""
        if plane is Plane.ETHERNET and Plane.ETHERNET in snapshot.owners:
            return f"{option.ethernet_bit_rate(snapshot.pointer_p) * 4 // 5 / 1e6:.10g} Mbit/s"
        return ""


def _stretches(numbers: list[int]) -> str:
    if not numbers:
        return "none"
    parts: list[str] = []
    start = before = numbers[0]
    for number in [*numbers[1:], 999]:
        if number != before + 1:
            parts.append(str(start) if start == before else f"{start}-{before}")
            start = number
        before = number
    return " ".join(parts)


class Levels(LinePane):
    """Level, peak and DC of the first containers of one hyperframe's IQ data."""

    def __init__(self, look: Look, choice: IqChoice, *, id: str) -> None:
        super().__init__(look, id=id)
        self._choice = choice

    def update(self, snapshot: Snapshot) -> None:
        look, width, choice = self.look, self.size.width, self._choice
        samples = choice.samples(snapshot)
        assumed = "" if choice.text else " assumed"
        bits = str(choice.map.axcs[0].sample_width) if choice.map else "?"
        lines: list[Line] = [(Segment(fit(f"IQ  M={bits}{assumed}", width), look.quiet),)]
        if choice.problem:
            lines += [(Segment(part, look.bad),) for part in wrapped(inert_cells(choice.problem), width)]
        elif samples is None or choice.map is None:
            lines.append((Segment(fit("- no IQ data", width), look.quiet),))
        else:
            for axc in choice.map.axcs[: max(self.size.height - 1, 0)]:
                array = samples[axc.members[0]]
                lines.append(self._level(axc.name, array, axc.sample_width, width))
            first = choice.map.axcs[0]
            room = self.size.height - len(lines) - 2
            if room >= _LEAST_PICTURE and len(samples[first.members[0]]):
                lines.append(())
                lines += iq_pictures(samples[first.members[0]], first, width, room, look)
        self.show(lines[: self.size.height])

    def _level(self, name: str, array: NDArray[Any], bits: int, width: int) -> Line:
        full = 2 ** (bits - 1)
        level = level_dbfs(array, bits)
        top = peak(array)
        top_db = 20 * math.log10(top / full) if top else -math.inf
        i, q = dc_offset(array)
        dc = math.hypot(i, q) / full
        if level == -math.inf:
            return (Segment(fit(f"{name:<3} silent", width), self.look.quiet),)
        text = f"{name:<3}{level:6.1f} pk{top_db:6.1f} dc{dc:5.2f}"
        if width >= 60:
            room = width - 60 + 20
            filled = round(max(level - _FLOOR_DB, 0) / -_FLOOR_DB * room)
            text = (
                f"{name:<3}{level:6.1f} dBFS  peak {top_db:6.1f}  DC {dc:5.3f}  "
                + "#" * min(filled, room)
                + "." * (room - min(filled, room))
            )
        return (Segment(fit(text, width), self.look.text),)
