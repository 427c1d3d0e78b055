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
from decoders.linerates import LineRateOption, option_named
from decoders.user_plane.iq_levels import dc_offset, level_dbfs, peak

from ..links.snapshot import NEVER, Snapshot
from .cells import count, fit, inert, wrapped
from .feed import Feed
from .iq_view import IqChoice
from .line_pane import Line, LinePane
from .palette import LETTERS, NAMES, Look

__all__ = ["Inspector", "Levels", "PlaneTable", "word_meaning"]

_FLOOR_DB = -60.0


def word_meaning(x: int, word: bytes, option: LineRateOption) -> str:
    """What the word X of subchannel 0 or 2 says; empty for the others."""
    first = word[0]
    if x == 0:
        return "sync byte K28.5" if first == 0xBC else "sync byte missing"
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
        named = "none" if rate == 0 else f"{rate // 1000} kbit/s" if rate else "not at this rate"
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
                Segment(f" {LETTERS[plane]} ", look.band(plane)),
                Segment(f" {plane.value}", look.plane(plane, bold=True)),
            ),
            (Segment(fit(subchannel_name(ns, snapshot.pointer_p), width), look.text),),
        ]
        if snapshot.control is None or snapshot.change_counts is None or snapshot.changed_at is None:
            lines.append((Segment(fit("no hyperframe yet", width), look.quiet),))
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
        said = word_meaning(x, word, option_named(snapshot.option)) if meaning else ""
        if said:
            lines.append((Segment("    " + fit(said, width - 4), look.good),))
        return lines

    def _changes(self, snapshot: Snapshot, x: int, width: int) -> list[Line]:
        look = self.look
        assert snapshot.control is not None
        assert snapshot.change_counts is not None and snapshot.changed_at is not None
        octet, changes = int(snapshot.control[x, 0]), int(snapshot.change_counts[x, 0])
        times = "never changed" if not changes else f"changed {count(changes, width - 14)} times"
        lines: list[Line] = [
            (Segment(f"#Z.{x}.0 ", look.quiet), Segment(f"bits {octet:08b}", look.text)),
            (Segment(fit(times, width), look.text),),
        ]
        at = int(snapshot.changed_at[x].max())
        if at != NEVER:
            which = "last" if snapshot.changed_at[x, 0] == at else "word last"
            lines.append((Segment(fit(f"{which} at hf {at}", width), look.text),))
        return lines


class PlaneTable(LinePane):
    """Each plane with its letter, its subchannels, its bit rate and what is counted on it."""

    _COUNTED: ClassVar[dict[Plane, tuple[str, str]]] = {
        Plane.SYNC: ("missed_sync_bytes", "missed"),
        Plane.L1: ("l1_alarm_changes", "alarm changes"),
        Plane.HDLC: ("hdlc_frames", "good frames"),
        Plane.ETHERNET: ("ethernet_frames", "good frames"),
        Plane.VENDOR: ("vendor_changes", "changes"),
        Plane.CTRL_AXC: ("ctrl_axc_changes", "changes"),
        Plane.RESERVED: ("reserved_changes", "changes"),
    }

    def update(self, feed: Feed) -> None:
        look, snapshot, width = self.look, feed.snapshot, self.size.width
        lines: list[Line] = [(Segment(fit("planes of this link", width), look.quiet),)]
        for plane, (counter, noun) in self._COUNTED.items():
            places = _stretches([ns for ns, owner in enumerate(snapshot.owners) if owner is plane])
            text = f" {NAMES[plane]:<20}{places:<10}{snapshot.counters[counter]:>8} {noun}"
            rate = self._rate(snapshot, plane)
            if rate:
                text += f", {rate}"
            lines.append(
                (
                    Segment(f" {LETTERS[plane]} ", look.band(plane)),
                    Segment(fit(text, width - 3), look.text if places != "none" else look.quiet),
                )
            )
        lines.append(())
        lines.append((Segment(fit("* changed since the last paint", width), look.quiet),))
        lines.append((Segment(fit("+ another octet of the word did", width), look.quiet),))
        self.show(lines)

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
            lines += [(Segment(part, look.bad),) for part in wrapped(inert(choice.problem), width)]
        elif samples is None or choice.map is None:
            lines.append((Segment(fit("no IQ data", width), look.quiet),))
        else:
            for axc in choice.map.axcs[: max(self.size.height - 1, 0)]:
                array = samples[axc.members[0]]
                lines.append(self._level(axc.name, array, axc.sample_width, width))
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
