"""A slow C&M receiver as a firmware engineer writes it, bit by bit, with every rule as a field that can be wrong.

With all fields as they are it finds what the project's decoder finds; a test holds it to that. A mutant has one
field changed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.cm_plane.hdlc import HdlcFrame
from decoders.events import FrameStatus

__all__ = ["HdlcRules", "SerialHdlc"]


@dataclass(frozen=True, slots=True)
class HdlcRules:
    """ISO/IEC 13239 and RFC 1662 appendix C, each rule by its right value."""

    lsb_first: bool = True
    stuffed_after: int = 5
    abort_ones: int = 7
    abort_bits: int = 8  # bits of a frame before seven ones are an abort
    aborts_told: bool = True
    shared_flag: bool = True  # one flag closes a frame and opens the next
    shared_zero: bool = True
    waits_for_flag: bool = True  # after an abort
    whole_octets: bool = True
    min_octets: int = 4
    max_octets: int = 2048
    preset: int = 0xFFFF
    polynomial: int = 0x8408
    complement: int = 0xFFFF
    mask: int = 0xFFFF  # bits of the check sequence that are compared
    checked: bool = True
    octets_checked_from: int = 0  # the check sequence covers the frame from this octet on
    data_octets_kept: int | None = None  # of a good frame; negative: so many are cut off its end
    keeps: int | None = None  # octets that its buffer has; a longer frame is told with so many
    loses_good: int = 0  # every so many-th good frame
    good_twice: bool = False
    short_told: bool = True
    bad_as_good: bool = False
    skips_after_bad: bool = False  # the frame after a bad one is lost
    place: int = 0  # hyperframe octets by which the end is told too late
    forgets_at_loss: bool = True


class SerialHdlc:
    """A stand-in for HdlcDecoder: control octets in, frames out."""

    def __init__(self, rules: HdlcRules | None = None, **settings: object) -> None:
        self.rules = rules or HdlcRules()
        self._octets = 0
        self._hunting = True
        self._ones = 7
        self._bits: list[int] = []
        self._dropped = False
        self._good = 0
        self._after_bad = False

    def reset(self) -> bool:
        cut = not self._hunting and len(self._bits) >= 8
        if self.rules.forgets_at_loss:
            self._hunting, self._ones, self._bits, self._dropped = True, 7, [], False
        self._octets = 0
        return cut

    def receive(self, octets: NDArray[np.uint8] | bytes) -> list[HdlcFrame]:
        frames: list[HdlcFrame] = []
        data = np.frombuffer(octets, np.uint8) if isinstance(octets, bytes) else octets
        rows = np.unpackbits(
            data.reshape(-1, 1), axis=1, bitorder="little" if self.rules.lsb_first else "big"
        )
        for bits in rows.tolist():
            for bit in bits:
                ended = self._one() if bit else self._zero()
                if ended is not None:
                    frames += self._told(*ended)
            self._octets += 1
        return frames

    def _one(self) -> tuple[FrameStatus, bytes, bytes] | None:
        rules = self.rules
        self._ones += 1
        if self._hunting:
            return None
        if self._ones < rules.abort_ones:
            self._bits.append(1)
            return None
        content = self._bits[: -(rules.abort_ones - 1)]
        self._hunting, self._bits = rules.waits_for_flag, []
        if len(content) < rules.abort_bits or not rules.aborts_told:
            return None
        return FrameStatus.ABORT, _packed(content), b""

    def _zero(self) -> tuple[FrameStatus, bytes, bytes] | None:
        rules = self.rules
        ones, self._ones = self._ones, 0
        if ones == 6:
            content = self._bits[: max(0, len(self._bits) - (6 if self._dropped else 7))]
            if not rules.shared_zero and self._bits == [1] * 6:
                self._hunting = True  # the zero before these ones was that of the flag before
                return None
            was_open, self._bits, self._dropped = not self._hunting, [], False
            self._hunting = not rules.shared_flag and was_open and bool(content)
            return self._judge(content) if was_open and content else None
        self._dropped = ones == rules.stuffed_after
        if not self._dropped and not self._hunting:
            self._bits.append(0)
        return None

    def _judge(self, bits: list[int]) -> tuple[FrameStatus, bytes, bytes] | None:
        rules, octets = self.rules, _packed(bits)
        if len(bits) % 8 and rules.whole_octets:
            return FrameStatus.UNALIGNED, octets, b""
        if len(octets) < rules.min_octets:
            split = 2 if len(octets) >= 2 else 0
            data, fcs = octets[: len(octets) - split], octets[len(octets) - split :]
            return (FrameStatus.TOO_SHORT, data, fcs) if rules.short_told else None
        if len(octets) > rules.max_octets:
            return FrameStatus.TOO_LONG, octets[:-2], octets[-2:]
        register = rules.preset
        for octet in octets[rules.octets_checked_from : -2]:
            register ^= octet
            for _ in range(8):
                register = register >> 1 ^ (rules.polynomial if register & 1 else 0)
        differ = register ^ rules.complement ^ int.from_bytes(octets[-2:], "little")
        good = not rules.checked or differ & rules.mask == 0
        return (FrameStatus.GOOD if good else FrameStatus.FCS), octets[:-2], octets[-2:]

    def _told(self, status: FrameStatus, data: bytes, fcs: bytes) -> list[HdlcFrame]:
        rules = self.rules
        lost, self._after_bad = rules.skips_after_bad and self._after_bad, status is not FrameStatus.GOOD
        if status is FrameStatus.GOOD:
            self._good += 1
            if (rules.loses_good and self._good % rules.loses_good == 0) or lost:
                return []
            if rules.data_octets_kept is not None:
                data = data[: rules.data_octets_kept]
        elif rules.bad_as_good:
            status = FrameStatus.GOOD
        if rules.keeps is not None:
            data = data[: rules.keeps]
        most = max(0, self._octets + rules.place)
        frame = HdlcFrame(status, data[:4096], fcs, most, max(0, len(data) - 4096))
        return [frame] * (2 if rules.good_twice and status is FrameStatus.GOOD else 1)


def _packed(bits: list[int]) -> bytes:
    """Whole octets, least significant bit first."""
    return np.packbits(np.array(bits[: len(bits) & ~7], np.uint8), bitorder="little").tobytes()
