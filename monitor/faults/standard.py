"""Numbers and places of the standard that expectations rest on, written anew beside the decoders.

A receiver and the list of what it must tell may not share a table: a mistake in it would pass. CPRI V7.0 clauses
4.2.7.2 to 4.2.7.7, 4.2.9 and 4.2.10; where a value is from memory it says so. Only 8B/10B rules are here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from decoders.arrays import I64, U8

__all__ = [
    "ALARM_MASKS",
    "BFN_COUNT",
    "BLOCK_LOCK_BAD",
    "BLOCK_LOCK_GOOD",
    "HFN_COUNT",
    "HITS_TO_SYNC",
    "LOS_THRESHOLD",
    "MISSES_TO_LOSE",
    "RESET_HYPERFRAMES",
    "TAKEN_OVER",
    "VERSION_TAKEN_OVER",
    "WORD_OCTETS",
    "Octets",
    "ctrl_axc_octets",
    "ethernet_octets",
    "hdlc_octets",
    "pointer_valid",
    "rate_valid",
    "reserved_octets",
    "vendor_octets",
    "version_valid",
]

HFN_COUNT = 150
BFN_COUNT = 4096
LOS_THRESHOLD = 16
"""Characters in error of one hyperframe that raise LOS (clause 4.2.10.2)."""
BLOCK_LOCK_GOOD, BLOCK_LOCK_BAD = 64, 16
"""Good block headers in a row that give block lock, bad ones of as many that lose it (802.3 figure 49-12)."""
HITS_TO_SYNC = 4
"""Sync bytes in their places from XACQ1 to HFNSYNC (Fig. 26)."""
MISSES_TO_LOSE = 3
"""Missed sync bytes in a row from HFNSYNC to LOF (Fig. 26; one state back for each, from memory)."""
RESET_HYPERFRAMES = 10
"""Of a reset request (clause 4.2.7.6.1, from memory)."""
TAKEN_OVER = 4
"""Hyperframes after which another pointer or rate code is taken over (from memory)."""
VERSION_TAKEN_OVER = 5
"""Hyperframes after which another protocol version is taken over (from memory)."""
ALARM_MASKS = {"reset": 0x01, "rai": 0x02, "sdi": 0x04, "los": 0x08, "lof": 0x10}
"""Bits of Z.130.0 (Table 13)."""
WORD_OCTETS = {
    "1": 1, "2": 2, "3": 4, "4": 5, "5": 8, "6": 10, "7": 16, "7A": 16, "8": 20, "9": 24, "10": 48,
}  # fmt: skip
"""Octets T/8 of a word by line bit rate option (Table 3)."""
_CONTROL_OCTETS = 16
"""Octets Y of a control word that belong to the control channel; beyond are real time vendor specific ones."""
_HDLC_OCTETS = {0: 0, 1: 2, 2: 4, 3: 8, 4: 16, 5: 20}
"""Octets of slow C&M a hyperframe by rate code: 240, 480, 960, 1920, 2400 kbit/s (Table 11)."""
_FIRST_OPTION = {0: 1, 1: 1, 2: 1, 3: 2, 4: 4, 5: 5}
"""Octets that a word must have for a rate code (Table 11)."""
_HIGHEST_CODE_FROM = 8


@dataclass(frozen=True, slots=True, eq=False)
class Octets:
    """Control octets in the order of transmission.

    `at` int64 (k,): index X * (T/8) + Y in the control words of a hyperframe; `places` (k, 3): Ns, Xs, Y.
    """

    at: I64
    places: U8

    def __len__(self) -> int:
        return len(self.at)


def pointer_valid(pointer_p: int) -> bool:
    """0: no fast C&M; 20 to 63 (clause 4.2.7.7.2)."""
    return pointer_p == 0 or 20 <= pointer_p <= 63


def version_valid(option: str, version: int) -> bool:
    """1; 2 is scrambled, for options 5, 6 and 7 (clause 4.2.7.6, from memory)."""
    return version == 1 or (version == 2 and option in ("5", "6", "7"))


def hdlc_octets(option: str, code: int) -> int | None:
    """Octets of slow C&M a hyperframe; None where the code is not valid for the option (Table 11)."""
    octets = min(WORD_OCTETS[option], _CONTROL_OCTETS)
    if code == 6:
        return 4 * octets if octets >= _HIGHEST_CODE_FROM else None
    if code not in _HDLC_OCTETS or octets < _FIRST_OPTION[code]:
        return None
    return _HDLC_OCTETS[code]


def rate_valid(option: str, code: int) -> bool:
    return hdlc_octets(option, code) is not None


def _octets(option: str, wanted: Iterator[tuple[int, int, int]]) -> Octets:
    width = WORD_OCTETS[option]
    rows = sorted(((64 * xs + ns) * width + y, ns, xs, y) for ns, xs, y in wanted)
    return Octets(
        np.array([row[0] for row in rows], np.int64),
        np.array([row[1:] for row in rows], np.uint8).reshape(-1, 3),
    )


def _subchannels(option: str, first: int, end: int) -> Iterator[tuple[int, int, int]]:
    for ns in range(first, end):
        for xs in range(4):
            for y in range(min(WORD_OCTETS[option], _CONTROL_OCTETS)):
                yield ns, xs, y


@cache
def hdlc_places(option: str, code: int) -> Octets:
    """Slow C&M: of Z.1, Z.65, Z.129 and Z.193 equally many octets; 240 kbit/s: Z.1.0, Z.129.0 (from memory)."""
    octets = hdlc_octets(option, code) or 0
    words = (0, 2) if code == 1 else (0, 1, 2, 3)
    return _octets(option, ((1, xs, y) for xs in words for y in range(octets // len(words))))


@cache
def ethernet_octets(option: str, pointer_p: int) -> Octets:
    """Fast C&M: subchannels p to 63."""
    return _octets(option, _subchannels(option, pointer_p if 20 <= pointer_p <= 63 else 64, 64))


@cache
def vendor_octets(option: str, pointer_p: int) -> Octets:
    """Vendor specific: subchannels 16 to p - 1; without fast C&M to 63."""
    return _octets(option, _subchannels(option, 16, pointer_p if 20 <= pointer_p <= 63 else 64))


@cache
def ctrl_axc_octets(option: str) -> Octets:
    """Ctrl_AxC: subchannels 4 to 7 (V4.1 and later, from memory)."""
    return _octets(option, _subchannels(option, 4, 8))


@cache
def reserved_octets(option: str, code: int) -> Octets:
    """Reserved: 3, 8 to 15, what slow C&M leaves of 1, and Y above 0 in the words of 0 and 2 but the sync word."""

    def wanted() -> Iterator[tuple[int, int, int]]:
        yield from _subchannels(option, 3, 4)
        yield from _subchannels(option, 8, 16)
        used = {tuple(place) for place in hdlc_places(option, code).places.tolist()}
        yield from (place for place in _subchannels(option, 1, 2) if place not in used)
        for place in (*_subchannels(option, 0, 1), *_subchannels(option, 2, 3)):
            if place[2] and place[:2] != (0, 0):
                yield place

    return _octets(option, wanted())
