"""A fast C&M receiver bit by bit, with every rule as a field that can be wrong.

With all fields as they are it finds what the project's decoder finds; a test holds it to that. A mutant has one
field changed.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from decoders.cm_plane.ethernet import EthernetFrame
from decoders.events import FrameStatus

__all__ = ["GROUPS", "EthernetRules", "SerialEthernet"]

# IEEE 802.3 table 24-1, first bit on the line leftmost.
GROUPS: Mapping[str, int] = MappingProxyType(
    {
        group: nibble
        for nibble, group in enumerate(
            (
                "11110 01001 10100 10101 01010 01011 01110 01111 "
                "10010 10011 10110 10111 11010 11011 11100 11101"
            ).split()
        )
    }
)
_IDLE, _J, _K, _T, _R, _H = "11111", "11000", "10001", "01101", "00111", "00100"


@dataclass(frozen=True, slots=True)
class EthernetRules:
    """IEEE 802.3 clauses 3, 4 and 24, each rule by its right value."""

    lsb_first: bool = True
    groups: Mapping[str, int] = field(default_factory=lambda: GROUPS)
    low_nibble_first: bool = True
    idle_ones: int = 10
    bad_groups_told: bool = True  # H and invalid ones
    h_told: bool = True
    code_ends_frame: bool = False
    k_checked: bool = True
    j_checked: bool = True
    r_checked: bool = True
    false_carrier_told: bool = True
    idle_inside_told: bool = True
    one_idle_is_end: bool = False
    sfd_checked: bool = True
    fives: tuple[int, int] = (0, 32)  # nibbles 5 before the SFD
    preamble_looked_at: bool = True  # or everything before the first D of a frame is skipped
    odd_nibble_told: bool = True
    min_octets: int = 64
    max_octets: int = 1518
    tag_octets: int = 4
    tag_type: bytes = b"\x81\x00"  # or as much of it as is looked at
    tag_places: tuple[int, ...] = (12,)
    tag_least_octets: int = 0  # more in the shortest frame with a tag
    checked: bool = True
    mask: int = 0xFFFFFFFF
    fcs_xor: int = 0  # onto the check sequence as computed
    preset_zero: bool = False
    octets_checked_from: int = 0
    data_octets_kept: int | None = None
    keeps: int | None = None
    loses_good: int = 0
    good_twice: bool = False
    skips_after_bad: bool = False
    least_gap_groups: int = 1  # idle groups after T R before a J K is taken
    place: int = 0


class SerialEthernet:
    """A stand-in for EthernetDecoder: control octets in, frames out."""

    def __init__(self, rules: EthernetRules | None = None, **settings: object) -> None:
        self.rules = rules or EthernetRules()
        self._octets = 0
        self._good = 0
        self._after_bad = False
        self._restart()

    def _restart(self) -> None:
        self._state = "hunt"
        self._ones = 0
        self._since_end = 1 << 30
        self._group = ""
        self._groups: list[str] = []

    def reset(self) -> bool:
        cut = self._state == "frame"
        self._restart()
        self._octets = 0
        return cut

    def receive(self, octets: NDArray[np.uint8] | bytes) -> list[EthernetFrame]:
        frames: list[EthernetFrame] = []
        data = np.frombuffer(octets, np.uint8) if isinstance(octets, bytes) else octets
        rows = np.unpackbits(
            data.reshape(-1, 1), axis=1, bitorder="little" if self.rules.lsb_first else "big"
        )
        for bits in rows.tolist():
            if self._state == "idle" and all(bits):
                self._ones += 8
                self._since_end += 8
            else:
                for bit in bits:
                    ended = self._bit(bit)
                    if ended is not None:
                        frames += self._told(*ended)
            self._octets += 1
        return frames

    def _bit(self, bit: int) -> tuple[FrameStatus, bytes] | None:
        rules = self.rules
        ones = self._ones
        self._ones = ones + 1 if bit else 0
        self._since_end += 1
        if self._state == "hunt":
            if self._ones >= rules.idle_ones:
                self._state = "idle"
            return None
        if self._state == "idle":
            if not bit:
                self._state = "ssd"
                self._group = "110" if ones >= 5 else "000"
            return None
        self._group += "1" if bit else "0"
        if self._state == "ssd":
            return self._ssd() if len(self._group) == 10 else None
        if len(self._group) < 5:
            return None
        self._groups.append(self._group)
        self._group = ""
        return self._end_of_frame()

    def _ssd(self) -> tuple[FrameStatus, bytes] | None:
        rules = self.rules
        j, k, self._group = self._group[:5], self._group[5:], ""
        gap = (self._since_end - 10) // 5
        good = (j == _J or not rules.j_checked) and (k == _K or not rules.k_checked)
        if good and gap >= rules.least_gap_groups:
            self._state, self._groups = "frame", []
            return None
        self._state, self._ones = "hunt", 0
        return (FrameStatus.DELIMITER, b"") if rules.false_carrier_told and not good else None

    def _end_of_frame(self) -> tuple[FrameStatus, bytes] | None:
        rules, last = self.rules, self._groups[-3:]
        if last[-2:] == [_T, _R] or (not rules.r_checked and last[-2:-1] == [_T]):
            self._state, self._ones, self._since_end = "idle", 3, 0
            return self._judge(self._groups[:-2], False)
        if rules.code_ends_frame and last[-1] not in GROUPS and last[-1] not in (_IDLE, _J, _K, _T, _R):
            self._state, self._ones = "hunt", 0
            return FrameStatus.CODE, b""
        ends = [_IDLE] if rules.one_idle_is_end else [_IDLE, _IDLE]
        if last[-len(ends) :] == ends:
            self._state, self._ones, self._since_end = "idle", 10, 5 * len(ends)
            return self._judge(self._groups[: -len(ends)], True)
        if last == [_IDLE, _J, _K]:
            frame = self._judge(self._groups[:-3], True)
            self._groups = []
            return frame
        return None

    def _judge(self, groups: list[str], by_idle: bool) -> tuple[FrameStatus, bytes]:
        rules = self.rules
        if by_idle:
            while groups and groups[-1] in (_T, _R):
                groups = groups[:-1]
        if not rules.idle_inside_told:
            groups = [g for g in groups if g != _IDLE]
        if not rules.preamble_looked_at and "11011" in groups[:34]:
            groups = groups[groups.index("11011") :]
        fives = 0
        while fives < len(groups) and fives < 32 and groups[fives] == "01011":
            fives += 1
        started = fives < len(groups) and (groups[fives] == "11011" or not rules.sfd_checked)
        started = started and rules.fives[0] <= fives <= rules.fives[1]
        body = groups[fives + 1 :] if started else []
        nibbles = [rules.groups.get(g, 0) for g in body]
        low, high = (0, 1) if rules.low_nibble_first else (1, 0)
        octets = bytes(nibbles[i + low] | nibbles[i + high] << 4 for i in range(0, len(nibbles) - 1, 2))
        delimiters = (_IDLE, _J, _K, _T, _R)
        codes = [g for g in groups if g not in GROUPS and g not in delimiters]
        if not rules.h_told:
            codes = [g for g in codes if g != _H]
        if codes and rules.bad_groups_told:
            return FrameStatus.CODE, octets
        inside = any(g in delimiters for g in groups)
        if inside or by_idle or not started or (len(body) % 2 and rules.odd_nibble_told):
            return FrameStatus.DELIMITER, octets
        tagged = any(octets.startswith(rules.tag_type, at) for at in rules.tag_places)
        if len(octets) < rules.min_octets + rules.tag_least_octets * tagged:
            return FrameStatus.TOO_SHORT, octets
        if len(octets) > rules.max_octets + rules.tag_octets * tagged:
            return FrameStatus.TOO_LONG, octets
        return (FrameStatus.GOOD if self._fcs_good(octets) else FrameStatus.FCS), octets

    def _fcs_good(self, octets: bytes) -> bool:
        rules = self.rules
        if not rules.checked:
            return True
        data = octets[rules.octets_checked_from : -4]
        # zlib.crc32 goes on from a register: one that is complemented is preset to zero.
        fcs = zlib.crc32(data, 0xFFFFFFFF if rules.preset_zero else 0) ^ rules.fcs_xor
        return (fcs ^ int.from_bytes(octets[-4:], "little")) & rules.mask == 0

    def _told(self, status: FrameStatus, octets: bytes) -> list[EthernetFrame]:
        rules = self.rules
        lost, self._after_bad = rules.skips_after_bad and self._after_bad, status is not FrameStatus.GOOD
        end = max(0, self._octets + rules.place)
        kept = 2 * 1518 + 8
        if len(octets) > kept:
            return [EthernetFrame(status, octets[:kept], b"", end, len(octets) - kept)]
        data, fcs = (octets[:-4], octets[-4:]) if len(octets) >= 4 else (octets, b"")
        if status is FrameStatus.GOOD:
            self._good += 1
            if (rules.loses_good and self._good % rules.loses_good == 0) or lost:
                return []
            if rules.data_octets_kept is not None:
                data = data[: rules.data_octets_kept]
        if rules.keeps is not None:
            data = data[: rules.keeps]
        frame = EthernetFrame(status, data, fcs, end)
        return [frame] * (2 if rules.good_twice and status is FrameStatus.GOOD else 1)
