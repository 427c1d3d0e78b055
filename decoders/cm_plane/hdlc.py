"""Slow C&M: bit-synchronous HDLC frames in the control octets of subchannel 1, received; `hdlc_encoder` sends them.

CPRI V7.0 clause 4.2.7.7.1 refers to ISO/IEC 13239: flag 01111110, a zero stuffed after five ones, an abort of
seven ones, octets sent least significant bit first, a 16-bit frame check sequence sent low octet first. The
channel is one continuous bit stream: an HDLC octet may begin at any bit of a control octet.

What address, control and information mean is vendor specific, so nothing here judges their values. Nothing
here answers a frame, repeats one, or knows which hyperframe an octet came from: the caller does.

The receiver looks for one pattern in a block of bits, a zero with five ones behind it. What the next two bits
are says everything: 0 a stuffed zero, 10 a flag, 11 an abort. All that follows works on these few places.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8
from ..errors import LayoutError, SettingsError
from ..events import FrameStatus

__all__ = [
    "FCS16_GOOD",
    "HdlcDecoder",
    "HdlcFrame",
    "fcs16",
    "fcs16_register",
]

Outcome = tuple[FrameStatus, bytes, bytes, int]

FCS16_GOOD = 0xF0B8
"""`fcs16_register` over a frame and its own FCS (RFC 1662 app. C)."""
MIN_OCTETS = 4
"""Address, control and FCS: the shortest frame there is (ISO/IEC 13239)."""
MAX_OCTETS = 2048
"""Longest frame taken, FCS included; the standard names none (common practice, no source)."""

_GOOD_MSB_FIRST = 0x1D0F  # FCS16_GOOD with its bits reversed, as crc_hqx holds the register
REVERSED_BITS = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))
FLAG = "01111110"
ABORT = "1111111"
IDLE_ONES = 15  # fifteen ones are the idle link state (ISO/IEC 13239)
FRAME_BITS = 8  # bits behind a flag before a break counts as a lost frame; a flag still arriving has seven

_TAIL_OCTETS = 2
_TAIL_BITS = 16
_HELD_BITS = 7  # the newest bits may yet turn out to be the start of a flag or an abort
_NO_BITS: U8 = np.empty(0, np.uint8)
_BLOCK_OCTETS = 1 << 14  # keeps the block's bits in the second-level cache


def fcs16_register(octets: bytes) -> int:
    """Reflected 16-bit register (0x8408, preset to ones) after `octets`, not complemented."""
    register = crc_hqx(octets.translate(REVERSED_BITS), 0xFFFF)
    return REVERSED_BITS[register & 0xFF] << 8 | REVERSED_BITS[register >> 8]


def fcs16(octets: bytes) -> int:
    """FCS-16 of a frame's address to information (ISO/IEC 13239); sent low octet first."""
    return fcs16_register(octets) ^ 0xFFFF


@dataclass(frozen=True, slots=True)
class HdlcFrame:
    """A frame as received, under the one heading that holds.

    `data` is without the FCS, `fcs` the two octets as sent on the line. Where no FCS can be told from the
    data (abort, unaligned, a single octet) `fcs` is empty and `data` has the whole octets received. Of a frame
    longer than twice `max_octets` only so much is kept as `data`; `fcs` is the last two octets all the same, and
    `left_out` counts those between. `end_octet` is the control octet, counted from 0 since construction or
    reset, that holds the last bit of the closing flag, or the seventh one of an abort.
    """

    status: FrameStatus
    data: bytes
    fcs: bytes
    end_octet: int
    left_out: int = 0

    @property
    def length(self) -> int:
        """Whole octets between the delimiters, FCS included, kept or not."""
        return len(self.data) + len(self.fcs) + self.left_out


def kept_octets(max_octets: int) -> int:
    return 2 * max_octets


def frame_outcome(octets: bytes, last: bytes, bits: int, max_octets: int, abort: bool = False) -> Outcome:
    """Heading, data, FCS and octets left out of `bits` bits between two flags, or a flag and an abort.

    `octets` are the first of them, at most as many as are kept, `last` the last two, with their bits reversed.
    """
    total = bits >> 3
    if abort or bits & 7:
        status, fcs = FrameStatus.ABORT if abort else FrameStatus.UNALIGNED, b""
    elif bits > 8 * max_octets:
        status, fcs = FrameStatus.TOO_LONG, last
    else:
        fcs = last if total >= 2 else b""
        if total < MIN_OCTETS:
            status = FrameStatus.TOO_SHORT
        elif crc_hqx(octets, 0xFFFF) == _GOOD_MSB_FIRST:
            status = FrameStatus.GOOD
        else:
            status = FrameStatus.FCS
    data = octets[: total - len(fcs)].translate(REVERSED_BITS)
    return status, data, fcs.translate(REVERSED_BITS), total - len(fcs) - len(data)


def checked_max_octets(max_octets: int) -> int:
    if max_octets < MIN_OCTETS:
        raise SettingsError(f"the longest frame must be {MIN_OCTETS} octets or more, not {max_octets}")
    return max_octets


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches [begin, end) of frame bits in a block, before unstuffing.

    Each but perhaps the last is closed by its place in `delimiters`; the first goes on with what is held from
    the block before if `carried`.
    """

    begin: I64
    end: I64
    delimiters: I64
    carried: bool


class HdlcDecoder:
    """Receiver of one direction: control octets in, frames out, however the octets are divided.

    It hunts for a flag and says nothing of what came before it, so a capture may begin anywhere. From then on
    whatever stands between two flags is one frame with one heading, in this order: abort, unaligned (not a
    multiple of 8 bits, be it only 1 to 7), too short (under 4 octets), too long, FCS, good. Nothing between
    two flags, which may share a flag or a zero, is no frame. Seven ones end a frame as an abort where 8 bits
    or more stand between the flag and them; with fewer it is the line falling idle, which is no fault. After
    seven ones it hunts again.

    `lsb_first`: the first bit in time is bit 0 of a control octet (from memory; CPRI sends bit 0 first).
    `max_octets`: longest frame, FCS included; SettingsError under 4. Memory stays within twice that.
    """

    def __init__(self, *, lsb_first: bool = True, max_octets: int = MAX_OCTETS) -> None:
        self._order: Literal["little", "big"] = "little" if lsb_first else "big"
        self._max_octets = checked_max_octets(max_octets)
        self._kept_octets = kept_octets(max_octets)
        self._forget()

    def _forget(self) -> None:
        self._tail: U8 = np.full(_TAIL_OCTETS, 0xFF, np.uint8)  # in ones no flag or abort begins
        self._received = 0
        self._start: int | None = None  # first bit behind the last flag, counted from the tail's first bit
        self._bits = 0  # frame bits taken over so far, stuffing removed
        self._octets = b""  # the whole octets of them, bits reversed, at most _kept_octets
        self._last = b""  # the last two of them
        self._rest = _NO_BITS  # the bits after these octets

    @property
    def in_frame(self) -> bool:
        """Whether 8 bits or more have followed a flag, and no flag or abort since."""
        return self._start is not None and _TAIL_BITS - self._start >= FRAME_BITS

    def reset(self) -> bool:
        """Forget everything, as at loss of sync; True if that cut a frame off. `end_octet` restarts at 0."""
        cut = self.in_frame
        self._forget()
        return cut

    def receive(self, octets: NDArray[np.uint8] | bytes) -> list[HdlcFrame]:
        """Frames that end in these control octets, in order.

        LayoutError if an array is not one row of uint8.
        """
        line = octets if isinstance(octets, np.ndarray) else np.frombuffer(octets, np.uint8)
        if line.dtype != np.uint8 or line.ndim != 1:
            raise LayoutError(
                f"control octets must be one row of uint8, not {line.dtype} of shape {line.shape}"
            )
        frames: list[HdlcFrame] = []
        for first in range(0, line.size, _BLOCK_OCTETS):
            self._receive_block(line[first : first + _BLOCK_OCTETS], frames)
        return frames

    def _receive_block(self, octets: U8, frames: list[HdlcFrame]) -> None:
        line = np.concatenate((self._tail, octets))
        bits = np.unpackbits(line, bitorder=self._order)
        stuffed, delimiters = _find_marks(bits)
        aborts = bits[delimiters]  # a flag ends in 0, an abort in 1

        # Stretch i lies between delimiter i-1 (for i = 0: what the block before left) and delimiter i.
        starts = np.empty(delimiters.size + 1, np.int64)
        starts[0] = 0 if self._start is None else self._start
        np.add(delimiters, 1, out=starts[1:])
        opened = np.empty(starts.size, np.bool_)
        opened[0] = self._start is not None
        np.equal(aborts, 0, out=opened[1:])
        ends = delimiters - 7 + aborts
        enough = ends - starts[:-1] >= np.where(aborts, FRAME_BITS, 1)
        closed = np.flatnonzero(opened[:-1] & enough)

        begin, end = starts[closed], ends[closed]
        carried = closed.size > 0 and int(closed[0]) == 0
        start = int(starts[-1]) if opened[-1] else None
        if start is not None:
            carried = carried or not delimiters.size
            begin = np.append(begin, start)
            end = np.append(end, max(start, bits.size - _HELD_BITS))
        if carried:
            begin[0] = max(int(begin[0]), _TAIL_BITS - _HELD_BITS)
        if begin.size:
            stretches = _Stretches(begin, end, delimiters[closed], carried)
            frames += self._take_over(bits, stuffed, stretches)

        self._tail = line[-_TAIL_OCTETS:].copy()
        self._received += octets.size
        self._start = None if start is None else start - 8 * octets.size

    def _take_over(self, bits: U8, stuffed: I64, stretches: _Stretches) -> list[HdlcFrame]:
        """Unstuff the stretches; frames of the closed ones come back, the open one is held.

        A closed stretch is filled up to whole octets with bits of its own delimiter, so that one selection
        and one packing serve the whole block.
        """
        begin, end, delimiters = stretches.begin, stretches.end, stretches.delimiters
        held_bits, held_octets, held_last, rest = 0, b"", b"", _NO_BITS
        if stretches.carried:
            held_bits, held_octets, held_last, rest = self._bits, self._octets, self._last, self._rest
        kept = end - begin - (np.searchsorted(stuffed, end) - np.searchsorted(stuffed, begin))
        kept[0] += rest.size
        fill = -kept & 7
        fill[delimiters.size :] = 0
        chosen = np.zeros(bits.size, np.bool_)
        for first, last in zip(begin.tolist(), (end + fill).tolist(), strict=True):
            chosen[first:last] = True
        chosen[stuffed] = False
        chosen[end[fill > 0]] = True
        stream = bits[chosen]
        if rest.size:
            stream = np.concatenate((rest, stream))
        packed = np.packbits(stream).tobytes()

        frames: list[HdlcFrame] = []
        limit = self._kept_octets
        base = self._received - _TAIL_OCTETS
        at = 0
        counts = kept.tolist()
        for count, place, abort in zip(counts, delimiters.tolist(), bits[delimiters].tolist(), strict=False):
            whole = at + (count >> 3)
            octets = packed[at : min(whole, at + limit)]
            last = packed[max(at, whole - 2) : whole]
            at += (count + 7) >> 3
            total = count
            if held_bits:
                octets = (held_octets + octets)[:limit]
                last = (held_last + last)[-2:]
                total += held_bits - rest.size
                held_bits, held_octets, held_last, rest = 0, b"", b"", _NO_BITS
            status, data, fcs, left_out = frame_outcome(octets, last, total, self._max_octets, bool(abort))
            frames.append(HdlcFrame(status, data, fcs, base + (place >> 3), left_out))
        if len(counts) > delimiters.size:
            whole = at + (counts[-1] >> 3)
            self._bits = held_bits + counts[-1] - rest.size
            self._octets = (held_octets + packed[at:whole])[:limit]
            self._last = (held_last + packed[max(at, whole - 2) : whole])[-2:]
            self._rest = stream[8 * whole :].copy()
        return frames


def _find_marks(bits: U8) -> tuple[I64, I64]:
    """Places of the stuffed zeros, and of the last bit of each flag and the seventh one of each abort.

    Delimiters that were over before this block's own octets are left out.
    """
    fours = bits[1:] & bits[:-1]
    fours = fours[2:] & fours[:-2]
    zero_and_five = np.greater(fours[1:-2] & bits[5:-1], bits[:-6])
    marks = np.flatnonzero(zero_and_five)
    sixth = bits[marks + 6]
    delimiters = marks[sixth != 0] + 7
    return marks[sixth == 0] + 6, delimiters[(delimiters >= _TAIL_BITS) & (delimiters < bits.size)]
