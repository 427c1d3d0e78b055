"""Scalar reference of the C&M channels, one bit at a time, and of where the planes lie in a hyperframe.

HDLC: ISO/IEC 13239 with the FCS-16 of RFC 1662 appendix C. Ethernet: the 4B/5B code of IEEE 802.3 clause 24
without scrambling, bit order from memory. It is the yardstick of the batch decoders, so it shares no code
with them; it never looks at the hyperframe that carries the octets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from enum import Enum, auto
from typing import NamedTuple

from decoders.events import FrameStatus
from decoders.linerates import LineRateOption

__all__ = [
    "AcceptedValue",
    "EthernetReceiver",
    "Frame",
    "HdlcReceiver",
    "changed_places",
    "ethernet_frames",
    "ethernet_words",
    "hdlc_frames",
    "slow_channel_places",
]


class Frame(NamedTuple):
    """One frame: `end_octet` is the octet of the channel with the last bit of the closing delimiter.

    `data` has no FCS in it where a frame has one; an aborted or unaligned frame, one of a single octet and
    one with code or delimiter errors keep all whole octets in `data`, and `fcs` is empty. Of a frame over twice
    as long as allowed only so much stays in `data`; `left_out` counts the octets after that.
    """

    status: FrameStatus
    data: bytes
    fcs: bytes
    end_octet: int
    left_out: int = 0

    @property
    def length(self) -> int:
        return len(self.data) + len(self.fcs) + self.left_out


def _crc_table(polynomial: int) -> list[int]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)
        table.append(value)
    return table


_FCS16 = _crc_table(0x8408)
_FCS32 = _crc_table(0xEDB88320)


def _register(table: list[int], start: int, octets: bytes) -> int:
    for octet in octets:
        start = start >> 8 ^ table[(start ^ octet) & 0xFF]
    return start


def _octet_bits(lsb_first: bool) -> list[tuple[int, ...]]:
    order = range(8) if lsb_first else range(7, -1, -1)
    return [tuple(octet >> i & 1 for i in order) for octet in range(256)]


def _pack(bits: Sequence[int]) -> bytes:
    """Whole octets, least significant bit first; bits left over are dropped."""
    return bytes(sum(bits[i + j] << j for j in range(8)) for i in range(0, len(bits) - 7, 8))


class HdlcReceiver:
    """Bit-serial receiver: hunts the first flag, says nothing of what came before it.

    Seven ones abort a frame once at least 8 bits of it stand before them; fewer is idle. Flags may share
    their zero. Headings in order: unaligned, too short (< 32 bits), too long, FCS, good.
    """

    def __init__(self, lsb_first: bool = True, max_octets: int = 2048) -> None:
        self._octet_bits = _octet_bits(lsb_first)
        self._max_octets = max_octets
        self._octets = 0
        self._in_sync = False
        self._ones = 7  # what came before is unknown, so no flag begins there
        self._bits: list[int] = []
        self._zero_dropped = False

    def reset(self) -> bool:
        """Hunt anew; True if a frame was under way (more bits since the flag than another flag can have)."""
        cut = self._in_sync and len(self._bits) >= 8
        self._in_sync = False
        self._ones = 7  # what came before is unknown, so no flag begins there
        self._bits = []
        self._zero_dropped = False
        return cut

    def receive(self, octets: Iterable[int]) -> list[Frame]:
        frames = []
        for octet in octets:
            for bit in self._octet_bits[octet]:
                ended = self._one() if bit else self._zero()
                if ended is not None:
                    status, data, fcs = ended
                    most = 2 * self._max_octets
                    left_out = max(0, len(data) - most)
                    frames.append(Frame(status, data[:most], fcs, self._octets, left_out))
            self._octets += 1
        return frames

    def _one(self) -> tuple[FrameStatus, bytes, bytes] | None:
        self._ones += 1
        if not self._in_sync:
            return None
        if self._ones < 7:
            self._bits.append(1)
            return None
        content = self._bits[:-6]
        self._in_sync = False
        self._bits = []
        return (FrameStatus.ABORT, _pack(content), b"") if len(content) >= 8 else None

    def _zero(self) -> tuple[FrameStatus, bytes, bytes] | None:
        ones, self._ones = self._ones, 0
        if ones == 6:
            # A flag: its six ones and the zero before them are no content. That zero may have been taken
            # for a stuffed one, and is not among the bits then.
            content = self._bits[: max(0, len(self._bits) - (6 if self._zero_dropped else 7))]
            frame = self._judge(content) if self._in_sync and content else None
            self._in_sync = True
            self._bits = []
            self._zero_dropped = False
            return frame
        self._zero_dropped = ones == 5
        if ones < 5 and self._in_sync:
            self._bits.append(0)
        return None

    def _judge(self, bits: list[int]) -> tuple[FrameStatus, bytes, bytes]:
        octets = _pack(bits)
        if len(bits) % 8:
            return FrameStatus.UNALIGNED, octets, b""
        if len(octets) > self._max_octets:
            return FrameStatus.TOO_LONG, octets[:-2], octets[-2:]
        if len(bits) < 16:
            return FrameStatus.TOO_SHORT, octets, b""
        if len(bits) < 32:
            status = FrameStatus.TOO_SHORT
        elif _register(_FCS16, 0xFFFF, octets) != 0xF0B8:
            status = FrameStatus.FCS
        else:
            status = FrameStatus.GOOD
        return status, octets[:-2], octets[-2:]


def hdlc_frames(octets: Iterable[int], lsb_first: bool = True, max_octets: int = 2048) -> list[Frame]:
    """All frames of one slow C&M octet stream."""
    return HdlcReceiver(lsb_first, max_octets).receive(octets)


_NIBBLES = {
    group: nibble
    for nibble, group in enumerate(
        (
            "11110 01001 10100 10101 01010 01011 01110 01111 10010 10011 10110 10111 11010 11011 11100 11101"
        ).split()
    )
}
_IDLE, _J, _K, _T, _R = "11111", "11000", "10001", "01101", "00111"
_FIVE, _SFD = "01011", "11011"
_IDLE_RUN = 10
_MAX_PREAMBLE = 32


class _Line(Enum):
    HUNT = auto()  # two idle groups are awaited; nothing is said of anything else
    IDLE = auto()
    SSD = auto()
    FRAME = auto()


class EthernetReceiver:
    """Bit-serial receiver of a fast C&M channel.

    Hunts ten ones (two idle groups), then the first zero after five ones, two bits before which J begins.
    Anything but J K in those ten bits is a delimiter error. In a frame an invalid group or H is a code error;
    J, K, R or idle on its own, T without R, a missing start frame delimiter and an odd count of nibbles are
    delimiter errors. A frame ends at T R, at two idle groups, or at one idle group before J K; a bad one
    counts once, there.
    """

    def __init__(self, lsb_first: bool = True, max_octets: int = 1518) -> None:
        self._octet_bits = _octet_bits(lsb_first)
        self._kept = 2 * max_octets + 8
        self._octets = 0
        self._line = _Line.HUNT
        self._ones = 0
        self._group = ""
        self._start_frame()

    def reset(self) -> bool:
        """Hunt anew; True if a frame was under way (J K received, its end not)."""
        cut = self._line is _Line.FRAME
        self._line = _Line.HUNT
        self._ones = 0
        self._group = ""
        self._start_frame()
        return cut

    def _start_frame(self) -> None:
        self._groups: list[str] = []

    def receive(self, octets: Iterable[int]) -> list[Frame]:
        frames = []
        for octet in octets:
            for bit in self._octet_bits[octet]:
                ended = self._bit(bit)
                if ended is not None:
                    frames.append(ended)
            self._octets += 1
        return frames

    def _bit(self, bit: int) -> Frame | None:
        ones = self._ones
        self._ones = ones + 1 if bit else 0
        line = self._line
        if line is _Line.HUNT:
            if self._ones >= _IDLE_RUN:
                self._line = _Line.IDLE
            return None
        if line is _Line.IDLE:
            if not bit:
                self._line = _Line.SSD
                self._group = "110" if ones >= 5 else "000"
            return None
        self._group += "1" if bit else "0"
        if line is _Line.SSD:
            if len(self._group) < 10:
                return None
            group, self._group = self._group, ""
            if group == _J + _K:
                self._line = _Line.FRAME
                self._start_frame()
                return None
            self._line = _Line.HUNT
            return Frame(FrameStatus.DELIMITER, b"", b"", self._octets)
        if len(self._group) < 5:
            return None
        self._groups.append(self._group)
        self._group = ""
        return self._end_of_frame()

    def _end_of_frame(self) -> Frame | None:
        last = self._groups[-3:]
        if last[-2:] == [_T, _R]:
            self._line = _Line.IDLE
            self._ones = 3  # those at the end of R
            return self._judge(self._groups[:-2], False)
        if last[-2:] == [_IDLE, _IDLE]:
            self._line = _Line.IDLE
            self._ones = _IDLE_RUN
            return self._judge(self._groups[:-2], True)
        if last == [_IDLE, _J, _K]:
            frame = self._judge(self._groups[:-3], True)
            self._start_frame()
            return frame
        return None

    def _judge(self, groups: list[str], by_idle: bool) -> Frame:
        end = self._octets
        if by_idle:
            while groups and groups[-1] in (_T, _R):
                groups = groups[:-1]
        fives = 0
        while fives < len(groups) and fives < _MAX_PREAMBLE and groups[fives] == _FIVE:
            fives += 1
        started = fives < len(groups) and groups[fives] == _SFD
        body = groups[fives + 1 :] if started else []
        nibbles = [_NIBBLES.get(group, 0) for group in body]
        octets = bytes(nibbles[i] | nibbles[i + 1] << 4 for i in range(0, len(nibbles) - 1, 2))
        bad = [g for g in groups if g not in _NIBBLES]
        if any(g not in (_IDLE, _J, _K, _T, _R) for g in bad):
            status = FrameStatus.CODE
        elif bad or by_idle or not started or len(body) % 2:
            status = FrameStatus.DELIMITER
        elif len(octets) < 64:
            status = FrameStatus.TOO_SHORT
        elif len(octets) > (1522 if octets[12:14] == b"\x81\x00" else 1518):
            status = FrameStatus.TOO_LONG
        elif _register(_FCS32, 0xFFFFFFFF, octets) != 0xDEBB20E3:
            status = FrameStatus.FCS
        else:
            status = FrameStatus.GOOD
        if len(octets) > self._kept:
            return Frame(status, octets[: self._kept], b"", end, len(octets) - self._kept)
        if len(octets) < 4:
            return Frame(status, octets, b"", end)
        return Frame(status, octets[:-4], octets[-4:], end)


def ethernet_frames(octets: Iterable[int], lsb_first: bool = True) -> list[Frame]:
    """All frames of one fast C&M octet stream."""
    return EthernetReceiver(lsb_first).receive(octets)


class AcceptedValue:
    """A filtered L1 value: starts as most of the first three, then changes with n consecutive others."""

    def __init__(self, first: Sequence[int], needed: int) -> None:
        self.value = next((v for v in first if first.count(v) >= 2), first[0])
        self._needed = needed
        self._run: tuple[int, int] = (self.value, 0)

    def receive(self, value: int) -> bool:
        """One more hyperframe carries `value`; True if it is taken over with this one."""
        same, times = self._run
        self._run = (value, times + 1 if value == same else 1)
        if value == self.value or self._run[1] < self._needed:
            return False
        self.value = value
        return True


def changed_places(
    option: LineRateOption, pointer_p: int, rate_code: int
) -> Iterator[tuple[str, int, int, int]]:
    """(counter, ns, xs, y) of every octet whose change counts, in order of transmission (clause 4.2.7.4).

    Reserved are subchannels 3 and 8 to 15, what subchannels 0 and 2 have beside Y = 0 and the sync word, and
    what HDLC leaves of subchannel 1; the reserved bits of Z.192.0, Z.66.0, Z.130.0 and Z.194.0 are not.
    """
    vendor_end = pointer_p if 20 <= pointer_p < 64 else 64
    hdlc = set(slow_channel_places(option, rate_code))
    for x in range(256):
        ns, xs = x & 63, x >> 6
        for y in range(option.control_octets):
            if 16 <= ns < vendor_end:
                yield "vendor_changes", ns, xs, y
            elif 4 <= ns <= 7:
                yield "ctrl_axc_changes", ns, xs, y
            elif (
                ns == 3
                or 8 <= ns <= 15
                or (ns == 1 and (x, y) not in hdlc)
                or (ns == 2 and y > 0)
                or (ns == 0 and xs > 0 and y > 0)
            ):
                yield "reserved_changes", ns, xs, y


def slow_channel_places(option: LineRateOption, rate_code: int) -> list[tuple[int, int]]:
    """(X, Y) of the slow C&M octets in order of transmission (Table 11; the 240 kbit/s pair from memory)."""
    octets = option.hdlc_octets(rate_code)
    if not octets:
        return []
    xs = (1, 129) if rate_code == 1 else (1, 65, 129, 193)
    return [(x, y) for x in xs for y in range(octets // len(xs))]


def ethernet_words(pointer_p: int) -> list[int]:
    """X of the fast C&M control words in order of transmission (clause 4.2.7.7.2)."""
    if not 20 <= pointer_p < 64:
        return []
    return [ns + 64 * xs for xs in range(4) for ns in range(pointer_p, 64)]
