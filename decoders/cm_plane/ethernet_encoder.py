"""Fast C&M, sent: Ethernet frames as control octets of subchannels p to 63, whole or with deliberate faults.

What a frame and its code groups are is said in `ethernet` (IEEE 802.3 clauses 3 and 24.2).
"""

from __future__ import annotations

import zlib
from collections import deque
from dataclasses import dataclass

import numpy as np

from ..arrays import U8
from ..errors import SettingsError
from ..events import FrameStatus
from .code_4b5b import (
    ERROR_GROUP,
    ESD_R,
    ESD_T,
    IDLE,
    INVALID_GROUPS,
    SSD_J,
    SSD_K,
    encode_symbols,
    group_bits,
    split_octets,
)
from .ethernet import (
    FCS_OCTETS,
    IDLE_ONES,
    MAX_OCTETS,
    MAX_PREAMBLE_NIBBLES,
    MIN_OCTETS,
    PREAMBLE_NIBBLE,
    SFD_NIBBLE,
    check_frame_limits,
    length_status,
)

__all__ = ["EthernetDamage", "EthernetEncoder", "SentEthernetFrame"]


@dataclass(frozen=True, slots=True)
class EthernetDamage:
    """What to do wrong in one frame; the defaults do nothing.

    `fcs_xor` goes onto the right FCS (bit 0 is first on the line). `bad_group_at` and `idle_at` count nibbles
    from the SFD on and put `bad_group` (table notation: H or an invalid group) or an idle group there;
    `bad_group_at` -1 is the D of the SFD, and what is below lies in the preamble.
    `extra_nibble` follows the FCS. `preamble_fives` and `sfd` replace the 13 nibbles 5 and the D. `short`
    leaves out the padding to 64 octets. SettingsError for values that cannot be, and for an SSD left out
    together with what lies inside a frame or after it.
    """

    fcs_xor: int = 0
    bad_group_at: int | None = None
    bad_group: int = ERROR_GROUP
    idle_at: int | None = None
    extra_nibble: int | None = None
    preamble_fives: int = 13
    sfd: int = SFD_NIBBLE
    omit_ssd_j: bool = False
    omit_ssd_k: bool = False
    omit_esd_t: bool = False
    omit_esd_r: bool = False
    short: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.fcs_xor < 1 << 32:
            raise SettingsError(f"fcs_xor {self.fcs_xor:#x} is not 32 bits")
        if self.bad_group != ERROR_GROUP and self.bad_group not in INVALID_GROUPS:
            raise SettingsError(f"code group {self.bad_group:05b} is neither H nor invalid")
        if self.extra_nibble is not None and not 0 <= self.extra_nibble < 16:
            raise SettingsError(f"extra_nibble {self.extra_nibble} is no nibble")
        if self.preamble_fives < 0:
            raise SettingsError(f"preamble_fives {self.preamble_fives} is negative")
        if not 0 <= self.sfd < 16 or self.sfd == PREAMBLE_NIBBLE:
            raise SettingsError(f"sfd {self.sfd} must be a nibble other than 5")
        inside = self.bad_group_at is not None or self.idle_at is not None
        if self.omits_ssd and (inside or self.omits_esd):
            raise SettingsError("a frame without its SSD can have no other broken groups")
        if self.idle_at is not None and self.omits_esd:
            raise SettingsError("an idle group inside a frame needs the whole ESD after it")

    @property
    def omits_ssd(self) -> bool:
        return self.omit_ssd_j or self.omit_ssd_k

    @property
    def omits_esd(self) -> bool:
        return self.omit_esd_t or self.omit_esd_r

    @property
    def breaks_delimiters(self) -> bool:
        preamble = self.sfd != SFD_NIBBLE or self.preamble_fives > MAX_PREAMBLE_NIBBLES
        inside = self.idle_at is not None or self.extra_nibble is not None
        return self.omits_ssd or self.omits_esd or preamble or inside


@dataclass(frozen=True, slots=True)
class SentEthernetFrame:
    """A frame that has left: `data` (padded, without FCS) and `fcs` as made, the status it must decode to,
    and the control octet it must be reported at, counted over everything taken."""

    sequence: int
    data: bytes
    fcs: bytes
    status: FrameStatus
    end_octet: int


class EthernetEncoder:
    """Frames in, control octets of the fast C&M channel out, with at least `min_idle_groups` before each,
    and never fewer than two before the first and after one that lacks a delimiter.

    The default of 24 idle groups is the interpacket gap of 96 bit times without counting T R in it
    (802.3 clause 4.4.2). Bit order and frame limits as in EthernetDecoder.
    """

    def __init__(
        self,
        *,
        lsb_first: bool = True,
        min_idle_groups: int = 24,
        min_octets: int = MIN_OCTETS,
        max_octets: int = MAX_OCTETS,
    ) -> None:
        check_frame_limits(min_octets, max_octets)
        if min_idle_groups < 1:
            raise SettingsError(f"min_idle_groups {min_idle_groups}: frames need an idle group between them")
        self._lsb_first = lsb_first
        self._idle_bits = 5 * min_idle_groups
        self._min = min_octets
        self._max = max_octets
        self._bits: deque[U8] = deque()
        self._queued = 0
        self._taken = 0
        self._idle_taken = 0
        self._sequence = 0
        self._must_prove_idle = True
        self._waiting: deque[tuple[int, SentEthernetFrame]] = deque()

    @property
    def pending_octets(self) -> int:
        """Octets to take until everything queued has left."""
        return -(-self._queued // 8)

    def send(self, data: bytes, damage: EthernetDamage | None = None) -> int:
        """Queue a frame of `data` (DA to the last octet before the FCS); returns its sequence number.

        SettingsError if the damage points outside the frame.
        """
        damage = damage or EthernetDamage()
        if not damage.short:
            data = data.ljust(MIN_OCTETS - FCS_OCTETS, b"\0")
        fcs = (zlib.crc32(data) ^ damage.fcs_xor).to_bytes(FCS_OCTETS, "little")
        groups = _groups_of(data + fcs, damage)
        bits = group_bits(groups)
        gap = max(self._idle_bits, IDLE_ONES) if self._must_prove_idle else self._idle_bits
        if not self._queued:
            gap = max(gap - self._idle_taken, -self._idle_taken % 5)
        start = self._taken + self._queued + gap
        closing = int(bits.argmin()) + 8 if damage.omits_ssd else len(bits) + 10 * damage.omits_esd
        status = self._status(data + fcs, damage)
        sent = SentEthernetFrame(self._sequence, data, fcs, status, start + closing - 1 >> 3)
        self._waiting.append((start + closing, sent))
        self._bits.extend((np.ones(gap, dtype=np.uint8), bits))
        self._queued += gap + len(bits)
        self._idle_taken = 0
        self._sequence += 1
        self._must_prove_idle = damage.omits_ssd or damage.omits_esd
        return sent.sequence

    def take(self, n_octets: int) -> bytes:
        """The next control octets; idle where nothing is queued, so that groups keep their phase."""
        wanted = 8 * n_octets
        parts: list[U8] = []
        while wanted and self._bits:
            bits = self._bits.popleft()
            if len(bits) > wanted:
                self._bits.appendleft(bits[wanted:])
                bits = bits[:wanted]
            parts.append(bits)
            wanted -= len(bits)
        self._queued -= 8 * n_octets - wanted
        if wanted:
            parts.append(np.ones(wanted, dtype=np.uint8))
            self._idle_taken += wanted
        self._taken += 8 * n_octets
        if not parts:
            return b""
        octets: bytes = np.packbits(
            np.concatenate(parts), bitorder="little" if self._lsb_first else "big"
        ).tobytes()
        return octets

    def sent(self) -> list[SentEthernetFrame]:
        """Frames whose last bit has been taken since the last call."""
        done = []
        while self._waiting and self._waiting[0][0] <= self._taken:
            done.append(self._waiting.popleft()[1])
        return done

    def _status(self, body: bytes, damage: EthernetDamage) -> FrameStatus:
        if damage.bad_group_at is not None:
            return FrameStatus.CODE
        if damage.breaks_delimiters:
            return FrameStatus.DELIMITER
        status = length_status(body, self._min, self._max)
        return status or (FrameStatus.FCS if damage.fcs_xor else FrameStatus.GOOD)


def _groups_of(body: bytes, damage: EthernetDamage) -> U8:
    """Code groups of a frame from J to R."""
    before = [] if damage.omit_ssd_j else [SSD_J]
    before += [] if damage.omit_ssd_k else [SSD_K]
    before += [PREAMBLE_NIBBLE] * damage.preamble_fives + [damage.sfd]
    after = [] if damage.extra_nibble is None else [damage.extra_nibble]
    after += [] if damage.omit_esd_t else [ESD_T]
    after += [] if damage.omit_esd_r else [ESD_R]
    symbols = np.concatenate((np.array(before, np.uint8), split_octets(body), np.array(after, np.uint8)))
    nibbles = 2 * len(body)
    first = -1 - damage.preamble_fives
    for at, least in ((damage.bad_group_at, first), (damage.idle_at, 0)):
        if at is not None and not least <= at < nibbles:
            raise SettingsError(f"nibble {at} is outside the frame of {nibbles} nibbles")
    if damage.idle_at is not None:
        symbols[len(before) + damage.idle_at] = IDLE
    groups = encode_symbols(symbols)
    if damage.bad_group_at is not None:
        groups[len(before) + damage.bad_group_at] = damage.bad_group
    return groups
