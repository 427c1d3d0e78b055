"""Fast C&M: Ethernet frames over 4B/5B, received (CPRI V7.0 clause 4.2.7.7.2); `ethernet_encoder` sends them.

The coding and the stream delimiters are those of IEEE 802.3 clause 24.2, the frame and its check sequence
those of clause 3; there is no scrambler and no line code under it. A frame is I.. J K, preamble, SFD, octets
low nibble first, T R, I..; it may begin at any bit.

The receiver hunts for idle bit by bit, then reads code groups in the phase the last SSD gave. Frames that
follow each other in one phase without a fault are cut out in batches. It never looks above the FCS.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from ..arrays import U8
from ..errors import SettingsError
from ..events import FrameStatus
from .code_4b5b import (
    BAD,
    ESD_R,
    ESD_T,
    IDLE,
    PAD_OCTETS,
    GroupBlock,
    find_ones,
    find_zero,
    join_nibbles,
)

__all__ = ["EthernetDecoder", "EthernetFrame"]

FCS_OCTETS = 4
MIN_OCTETS = 64
"""minFrameSize, DA to FCS (802.3 clause 4.4.2)."""
MAX_OCTETS = 1518
"""maxBasicFrameSize, DA to FCS; a frame with a VLAN tag may have TAG_OCTETS more (clause 3.2.7)."""
TAG_OCTETS = 4
MAX_PREAMBLE_NIBBLES = 32
"""Nibbles 5 between the SSD and the D that completes the SFD: 13 as sent, at most this many accepted."""

_TAG = b"\x81\x00"
_TAG_AT = slice(12, 14)
_FCS_RESIDUE = 0x2144DF1C
"""CRC-32 of a whole frame with its right FCS (computed; register 0xDEBB20E3 complemented)."""
SFD_NIBBLE, PREAMBLE_NIBBLE = 0xD, 0x5
_PREAMBLE = b"\x55" * 6 + b"\xd5"
"""What follows the SSD, which stands for the first of the eight octets."""

IDLE_ONES = 10
"""Ones in a row that prove idle: two groups. Valid data reaches eight (computed)."""
_ONES_BEFORE_J_ENDS = 7
"""The idle group before J and the two ones J begins with."""
_AFTER_J_ONES = 0b10001000
"""The last three bits of J and all of K, first bit in bit 0."""
_FIRST_BLOCK_OCTETS = 1 << 12
_LAST_BLOCK_OCTETS = 1 << 16

_REVERSED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))
_ESD = bytes((ESD_T, ESD_R))
_NIBBLES = bytes(symbol if symbol < 16 else 0 for symbol in range(256))
"""Symbols to nibbles: a group that is no data reads as 0 in the octets of a broken frame."""


@dataclass(frozen=True, slots=True)
class EthernetFrame:
    """A frame that ended, or a false carrier (status `delimiter`, no octets).

    `data` is DA to the last octet before the FCS, `fcs` its four octets as sent (empty, and everything in
    `data`, where there are fewer than four). Of a frame more than twice as long as allowed only that much
    is kept, without an FCS; `left_out` counts what is not. `end_octet` is the control octet, counted from
    construction or reset, with the last bit of R; of a broken frame, of the second idle group, or the K of the
    next SSD, that ended it; of a false carrier, of the ten bits that should have been J K.
    """

    status: FrameStatus
    data: bytes
    fcs: bytes
    end_octet: int
    left_out: int = 0

    @property
    def length(self) -> int:
        """Whole octets from DA to FCS, kept or not."""
        return len(self.data) + len(self.fcs) + self.left_out


class _State(Enum):
    HUNT = auto()
    IDLE = auto()
    FRAME = auto()


class _Cause(Enum):
    IDLE_SEEN = auto()
    SSD = auto()
    BAD_SSD = auto()
    END = auto()


_NEXT = {
    (_State.HUNT, _Cause.IDLE_SEEN): _State.IDLE,
    (_State.IDLE, _Cause.SSD): _State.FRAME,
    (_State.IDLE, _Cause.BAD_SSD): _State.HUNT,
    (_State.FRAME, _Cause.END): _State.IDLE,
}
"""The receive process of 802.3 clause 24.2.4.4 (from memory), its error states folded into the open frame."""


class EthernetDecoder:
    """Control octets of the fast C&M channel in, frames out.

    `lsb_first` tells whether the first bit in time is bit 0 of a control octet. Frames count DA to FCS:
    shorter than `min_octets` is too short, longer than `max_octets` (and TAG_OCTETS with a VLAN tag) too
    long. A stream that begins inside a frame reports nothing until idle has been seen. An error inside a
    frame never ends it; its end is T R, two idle groups, or one idle group before J K. After idle anything
    but J K is one false carrier, however long it lasts (802.3 clause 24.2.4.4, BAD SSD), even a single 0 bit,
    which that clause would let pass (from memory).
    """

    def __init__(
        self, *, lsb_first: bool = True, min_octets: int = MIN_OCTETS, max_octets: int = MAX_OCTETS
    ) -> None:
        check_frame_limits(min_octets, max_octets)
        self._lsb_first = lsb_first
        self._min = min_octets
        self._max = max_octets
        self._keep_octets = 2 * max_octets + 2 * TAG_OCTETS
        self._keep_symbols = 2 * self._keep_octets + 2 * MAX_PREAMBLE_NIBBLES
        self._stream = b""
        self._octets = np.empty(0, dtype=np.uint8)
        self._end = 0
        self._frames: list[EthernetFrame] = []
        self._clear()

    def _clear(self) -> None:
        self._carry = b""
        self._bit = 0
        self._first_octet = 0
        self._state = _State.HUNT
        self._ones = 0
        self._open = bytearray()
        self._open_groups = 0
        self._esd_groups = 0  # of T and R, in any order, that the open frame ends in so far
        self._worst = 0

    def reset(self) -> bool:
        """Forget everything, as at loss of sync, and count octets from 0; True if that cut a frame."""
        cut = self._state is _State.FRAME
        self._clear()
        return cut

    def receive(self, octets: U8 | bytes) -> list[EthernetFrame]:
        """Frames that end in these octets, in order; any division into calls gives the same frames."""
        received = octets if isinstance(octets, bytes) else np.ascontiguousarray(octets, np.uint8).tobytes()
        if not received:
            return []
        if not self._lsb_first:
            received = received.translate(_REVERSED)
        self._end = len(self._carry) + len(received)
        self._stream = b"".join((self._carry, received, bytes(PAD_OCTETS)))
        self._octets = np.frombuffer(self._stream, dtype=np.uint8)[: self._end]
        self._frames = []
        self._run()
        kept = self._bit >> 3
        self._carry = self._stream[kept : self._end]
        self._first_octet += kept
        self._bit -= 8 * kept
        self._stream = b""
        self._octets = self._octets[:0]
        return self._frames

    def _run(self) -> None:
        size = _FIRST_BLOCK_OCTETS
        while True:
            if self._state is _State.FRAME:
                phase = self._bit % 5
                more = self._read_frames(size)
                same = self._state is not _State.FRAME or self._bit % 5 == phase
                size = min(4 * size, _LAST_BLOCK_OCTETS) if same else _FIRST_BLOCK_OCTETS
            else:
                more = self._find_idle() if self._state is _State.HUNT else self._find_start()
            if not more:
                return

    def _move(self, cause: _Cause) -> None:
        self._state = _NEXT[self._state, cause]

    def _report(
        self, status: FrameStatus, data: bytes, fcs: bytes, bit_after: int, left_out: int = 0
    ) -> None:
        end_octet = self._first_octet + (bit_after - 1 >> 3)
        self._frames.append(EthernetFrame(status, data, fcs, end_octet, left_out))

    def _find_idle(self) -> bool:
        """To the end of the ten ones that are idle; no run spans the 0 at, or just before, this bit."""
        at = find_ones(self._stream, self._bit >> 3, self._end)
        if at < 0:
            start = self._bit
            self._bit = 8 * self._end
            while self._bit > start and self._stream[self._bit - 1 >> 3] >> (self._bit - 1 & 7) & 1:
                self._bit -= 1
            return False
        self._bit = at + IDLE_ONES
        self._ones = IDLE_ONES
        self._move(_Cause.IDLE_SEEN)
        return True

    def _find_start(self) -> bool:
        """From idle to the SSD, or to what is there in its place."""
        zero = find_zero(self._octets, self._bit)
        at = 8 * self._end if zero < 0 else zero
        self._ones = min(self._ones + at - self._bit, IDLE_ONES)
        self._bit = at
        if at + 8 > 8 * self._end:
            return False
        first = at >> 3
        octet = (self._stream[first] | self._stream[first + 1] << 8) >> (at & 7) & 0xFF
        if octet == _AFTER_J_ONES and self._ones >= _ONES_BEFORE_J_ENDS:
            self._bit = at + 8
            self._move(_Cause.SSD)
        else:
            self._report(FrameStatus.DELIMITER, b"", b"", at + 8)
            self._move(_Cause.BAD_SSD)
        return True

    def _read_frames(self, size: int) -> bool:
        """Frames from here on, in up to `size` octets, as long as they stay in this phase of the groups."""
        available = (8 * self._end - self._bit) // 5
        count = min(available, 8 * size // 5)
        if not count:
            return False
        block = GroupBlock(self._stream, self._bit, count)
        group = 0
        while self._state is _State.FRAME:
            if not self._open_groups:
                group = self._take_regular(block, group)
            end = block.terminator(group)
            if end is None:
                stop = count - block.undecided()
                self._keep(block.symbols[group:stop])
                self._bit = block.first_bit + 5 * stop
                return count < available
            self._keep(block.symbols[group:end])
            by_idle = int(block.symbols[end]) == IDLE
            last = end if by_idle else end + 1
            one_idle = by_idle and int(block.symbols[end + 1]) != IDLE
            self._close(by_idle, block.bit_after(end + 2 if one_idle else end + 1))
            self._bit = block.bit_after(last)
            self._ones = 5 if by_idle else 3
            self._move(_Cause.END)
            if not self._find_start():
                return False
            group, off_grid = divmod(self._bit - block.first_bit, 5)
            if off_grid or group >= count:
                break
        return True

    def _take_regular(self, block: GroupBlock, group: int) -> int:
        while True:
            starts, ends, after = block.regular_frames(group)
            if not starts:
                return group
            for start, end in zip(starts, ends, strict=True):
                octets = block.octets(start & 1)
                at = start >> 1
                bit_after = block.bit_after(end + 1)
                if (end - start) & 1 or not octets.startswith(_PREAMBLE, at, at + (end - start >> 1)):
                    self._keep(block.symbols[start:end])
                    self._close(False, bit_after)
                else:
                    body = octets[at + len(_PREAMBLE) : at + (end - start >> 1)]
                    self._judge(body, len(body), None, bit_after)
            group = after

    def _keep(self, symbols: U8) -> None:
        """Add groups to the open frame, of a very long one only what may be reported."""
        if not len(symbols):
            return
        self._open_groups += len(symbols)
        self._worst = max(self._worst, int(symbols.max()))
        added = symbols.tobytes()
        before_esd = len(added.rstrip(_ESD))
        self._esd_groups = len(added) - before_esd + (0 if before_esd else self._esd_groups)
        room = self._keep_symbols - len(self._open)
        if room > 0:
            self._open += added[:room]

    def _close(self, by_idle: bool, bit_after: int) -> None:
        """Judge the open frame, which T R or idle has ended, and forget it."""
        symbols, groups, worst = bytes(self._open), self._open_groups, self._worst
        if by_idle:
            groups -= self._esd_groups
            symbols = symbols[:groups]
        self._open.clear()
        self._open_groups = self._esd_groups = self._worst = 0
        head = symbols[: MAX_PREAMBLE_NIBBLES + 1]
        fives = len(head) - len(head.lstrip(b"\x05"))
        started = head[fives : fives + 1] == b"\x0d"
        body = symbols[fives + 1 :].translate(_NIBBLES) if started else b""
        odd = bool((groups - fives - 1) & 1)
        status = None
        if worst == BAD:
            status = FrameStatus.CODE
        elif worst >= IDLE or by_idle or odd or not started:
            status = FrameStatus.DELIMITER
        whole = np.frombuffer(body, dtype=np.uint8)[: len(body) & ~1]
        length = groups - fives - 1 >> 1 if started else 0
        self._judge(join_nibbles(whole), length, status, bit_after)

    def _judge(self, body: bytes, length: int, status: FrameStatus | None, bit_after: int) -> None:
        """Report `length` octets after the SFD, the first of them in `body`, under `status` if that is settled."""
        if status is None:
            status = length_status(body, self._min, self._max)
            if status is None:
                status = FrameStatus.GOOD if zlib.crc32(body) == _FCS_RESIDUE else FrameStatus.FCS
        if length > self._keep_octets:
            self._report(status, body[: self._keep_octets], b"", bit_after, length - self._keep_octets)
        elif length < FCS_OCTETS:
            self._report(status, body, b"", bit_after)
        else:
            self._report(status, body[:-FCS_OCTETS], body[-FCS_OCTETS:], bit_after)


def check_frame_limits(min_octets: int, max_octets: int) -> None:
    if not FCS_OCTETS <= min_octets <= max_octets:
        raise SettingsError(f"frame limits {min_octets} to {max_octets}: need 4 <= min_octets <= max_octets")


def length_status(body: bytes, min_octets: int, max_octets: int) -> FrameStatus | None:
    """What the length of DA to FCS alone makes of a frame."""
    if len(body) < min_octets:
        return FrameStatus.TOO_SHORT
    if len(body) > max_octets and len(body) > max_octets + TAG_OCTETS * (body[_TAG_AT] == _TAG):
        return FrameStatus.TOO_LONG
    return None
