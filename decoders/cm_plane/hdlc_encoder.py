"""Slow C&M, sent: HDLC frames as control octets of subchannel 1, whole or with one deliberate fault each.

What a frame and its line bits are is said in `hdlc` (ISO/IEC 13239; CPRI V7.0 clause 4.2.7.7.1).
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from ..errors import LayoutError, SettingsError
from ..events import FrameStatus
from .hdlc import (
    ABORT,
    FLAG,
    FRAME_BITS,
    IDLE_ONES,
    MAX_OCTETS,
    REVERSED_BITS,
    Outcome,
    checked_max_octets,
    fcs16,
    frame_outcome,
    kept_octets,
)

__all__ = ["FlagJoin", "HdlcDamage", "HdlcEncoder", "HdlcFill", "SentHdlcFrame"]


class HdlcFill(StrEnum):
    """What the channel carries between frames (both are taken by a receiver; ISO/IEC 13239)."""

    FLAGS = "flags"
    ONES = "ones"


class FlagJoin(StrEnum):
    """How a frame's closing flag meets the next frame's opening flag."""

    SEPARATE = "separate"
    """Two flags of their own."""
    SHARED = "shared"
    """One flag closes this frame and opens the next."""
    SHARED_ZERO = "shared_zero"
    """Two flags with the zero between them in common: 011111101111110."""


@dataclass(frozen=True, slots=True)
class HdlcDamage:
    """One deliberate fault in one frame; SettingsError for more than one at a time or a value that cannot be.

    `fcs_xor`: 16 bits to invert in the FCS (as a number; its low octet goes first).
    `abort_after_octets`: seven ones after that many octets instead of the rest. Two or more: a frame broken
    off sooner may not count as one.
    `drop_bits`: 1 to 7 bits missing before the closing flag.
    `skip_stuffing`: one stuffing zero left out, the first whose loss shows as exactly one bad frame: with
    a zero next it is unaligned, with two ones or more next it is an abort. Passed over are a place where a
    lone one follows (a false flag: two frames) and one at the very end (no bit is missing). An octet 0x3E or
    0x7C always offers a place.
    """

    fcs_xor: int = 0
    abort_after_octets: int | None = None
    drop_bits: int = 0
    skip_stuffing: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.fcs_xor <= 0xFFFF:
            raise SettingsError(f"fcs_xor has 16 bits, {self.fcs_xor:#x} does not fit")
        if self.abort_after_octets is not None and self.abort_after_octets < 2:
            raise SettingsError("abort_after_octets must be 2 or more")
        if not 0 <= self.drop_bits <= 7:
            raise SettingsError(f"drop_bits must be 0 to 7, not {self.drop_bits}")
        chosen = (self.fcs_xor, self.abort_after_octets is not None, self.drop_bits, self.skip_stuffing)
        if sum(map(bool, chosen)) > 1:
            raise SettingsError("a frame takes one damage at a time")


@dataclass(frozen=True, slots=True)
class SentHdlcFrame:
    """A frame that has gone out, and what a receiver must make of it (fields as in HdlcFrame).

    `end_octet` counts the octets taken from the encoder, from 0. The receiver must see a flag before it.
    """

    sequence: int
    status: FrameStatus
    data: bytes
    fcs: bytes
    end_octet: int
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class _Coded:
    """Line bits of one frame behind its opening flag, in time order as text; bit `end` ends it."""

    sequence: int
    bits: str
    end: int
    outcome: Outcome
    join: FlagJoin


_NO_DAMAGE = HdlcDamage()
_FIVE_ONES = re.compile("11111")


def _to_bits(octets: bytes) -> str:
    return f"{int.from_bytes(octets, 'little'):0{8 * len(octets)}b}"[::-1] if octets else ""


def _whole_octets(bits: str) -> bytes:
    count = len(bits) // 8
    return int(bits[: 8 * count][::-1], 2).to_bytes(count, "little") if count else b""


def _stuff(bits: str) -> str:
    return bits.replace("11111", "111110")


class HdlcEncoder:
    """Sender of one direction: queue frames, take coded control octets, filled up while nothing is queued.

    `lsb_first` as for HdlcDecoder; `fill`: flags, or ones (at least fifteen, the idle state). `max_octets`
    only decides which frames `sent` calls too long; they are sent all the same.
    """

    def __init__(
        self, *, lsb_first: bool = True, fill: HdlcFill = HdlcFill.FLAGS, max_octets: int = MAX_OCTETS
    ) -> None:
        self._order: Literal["little", "big"] = "little" if lsb_first else "big"
        self._fill = fill
        self._max_octets = checked_max_octets(max_octets)
        self._sequence = 0
        self._queue: deque[_Coded] = deque()
        self._queued_bits = 0
        self._rest = ""  # coded bits that did not fill an octet of the last take
        self._taken = 0
        self._after_flag = False  # the coded stream ends in a flag
        self._after_ones = False  # it ends in idle ones
        self._join = FlagJoin.SEPARATE
        self._leaving: deque[SentHdlcFrame] = deque()

    @property
    def pending_octets(self) -> int:
        """Control octets that what is queued still needs, give or take a flag a frame."""
        return (len(self._rest) + self._queued_bits + 7) // 8

    def send(
        self, data: bytes, *, damage: HdlcDamage = _NO_DAMAGE, join: FlagJoin = FlagJoin.SEPARATE
    ) -> int:
        """Queue one frame, `data` from address to information, FCS appended; returns its sequence number.

        A frame of any length is sent, be it too short or too long. LayoutError where the damage does not fit
        the frame: an abort after more octets than there are, or no stuffing zero whose loss would show.
        """
        octets = data + (fcs16(data) ^ damage.fcs_xor).to_bytes(2, "little")
        coded, end, outcome = self._code(octets, damage)
        sequence = self._sequence
        self._sequence += 1
        self._queue.append(_Coded(sequence, coded, end, outcome, join))
        self._queued_bits += len(coded) + len(FLAG)
        return sequence

    def _code(self, octets: bytes, damage: HdlcDamage) -> tuple[str, int, Outcome]:
        """Line bits up to the closing flag or abort, the bit that ends the frame, what it must give."""
        bits = _to_bits(octets)
        if damage.abort_after_octets is not None:
            if damage.abort_after_octets > len(octets):
                raise LayoutError(
                    f"abort after {damage.abort_after_octets} octets of a frame of {len(octets)} with its FCS"
                )
            line = _stuff(bits[: 8 * damage.abort_after_octets])
            ones = len(line) - len(line.rstrip("1"))  # they count towards the seven
            outcome = self._outcome(bits[: 8 * damage.abort_after_octets - ones], abort=True)
            return line + ABORT, len(line) + 6 - ones, outcome
        if damage.skip_stuffing:
            return self._without_a_zero(bits)
        if damage.drop_bits:
            bits = bits[: -damage.drop_bits]
        line = _stuff(bits)
        return line + FLAG, len(line) + 7, self._outcome(bits)

    def _outcome(self, bits: str, *, abort: bool = False) -> Outcome:
        octets = _whole_octets(bits).translate(REVERSED_BITS)
        first = octets[: kept_octets(self._max_octets)]
        return frame_outcome(first, octets[-2:], len(bits), self._max_octets, abort)

    def _without_a_zero(self, bits: str) -> tuple[str, int, Outcome]:
        for five in _FIVE_ONES.finditer(bits):
            place = five.end()
            before = _stuff(bits[:place])[:-1]
            line = before + _stuff(bits[place:]) + FLAG
            if bits.startswith("0", place):  # taken for the stuffing
                left = bits[:place] + bits[place + 1 :]
                return line, len(line) - 1, self._outcome(left)
            if bits.startswith("11", place) and len(before) - 5 >= FRAME_BITS:
                return line, len(before) + 1, self._outcome(bits[: five.start()], abort=True)
        raise LayoutError("this frame has no stuffing zero whose loss would show as one bad frame")

    def take(self, n_octets: int) -> bytes:
        """The next `n_octets` control octets of the channel. SettingsError if negative."""
        if n_octets < 0:
            raise SettingsError(f"cannot take {n_octets} octets")
        needed = 8 * n_octets
        parts = [self._rest]
        have = len(self._rest)
        while have < needed:
            part = self._next_frame(8 * self._taken + have) if self._queue else self._idle(needed - have)
            parts.append(part)
            have += len(part)
        coded = "".join(parts)
        self._rest = coded[needed:]
        self._taken += n_octets
        line = np.frombuffer(coded[:needed].encode("ascii"), np.uint8) & 1
        return np.packbits(line, bitorder=self._order).tobytes()

    def _next_frame(self, position: int) -> str:
        """Bits of the next frame at bit `position`, with as much of an opening flag as it needs."""
        frame = self._queue.popleft()
        self._queued_bits -= len(frame.bits) + len(FLAG)
        opening = FLAG
        if self._after_flag and self._join is FlagJoin.SHARED:
            opening = ""
        elif self._after_flag and self._join is FlagJoin.SHARED_ZERO:
            opening = FLAG[1:]
        end_octet = (position + len(opening) + frame.end) // 8
        status, data, fcs, left_out = frame.outcome
        self._leaving.append(SentHdlcFrame(frame.sequence, status, data, fcs, end_octet, left_out))
        self._after_flag = frame.bits.endswith(FLAG)
        self._after_ones = False
        self._join = frame.join
        return opening + frame.bits

    def _idle(self, bits: int) -> str:
        if self._fill is HdlcFill.FLAGS:
            self._after_flag = True
            return FLAG * -(-bits // len(FLAG))
        ones = bits if self._after_ones else max(bits, IDLE_ONES)
        self._after_flag, self._after_ones = False, True
        return "1" * ones

    def sent(self) -> list[SentHdlcFrame]:
        """Frames whose end has been taken since the last call, in order, each once."""
        done: list[SentHdlcFrame] = []
        while self._leaving and self._leaving[0].end_octet < self._taken:
            done.append(self._leaving.popleft())
        return done
