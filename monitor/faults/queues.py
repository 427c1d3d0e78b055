"""Puts faults of the C&M channels into their frame queues: the damaged frame, or frames that meet oddly.

ISO/IEC 13239 and IEEE 802.3. The data comes from the sender's own traffic, so that a damaged frame looks like its
neighbours. Nothing here draws.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from zlib import crc32

from decoders.cm_plane.ethernet_encoder import EthernetDamage, EthernetEncoder
from decoders.cm_plane.hdlc import fcs16
from decoders.cm_plane.hdlc_encoder import FlagJoin, HdlcDamage, HdlcEncoder, _Coded
from decoders.events import FrameStatus

from .channel_faults import DELIMITERS, LONGEST_PREAMBLE
from .kinds import Fault

__all__ = [
    "READ_FROM_THE_LINE",
    "CloseEthernetEncoder",
    "RawHdlcEncoder",
    "as_received",
    "queue_ethernet",
    "queue_hdlc",
]

FCS_OCTETS = 4
READ_FROM_THE_LINE = frozenset(("hdlc.idle", "hdlc.abort_at"))
"""Faults whose line bits are no frame of the queue: what a receiver makes of them is not in the sender's list."""
_IDLE_FORMS = ("01111110", "011111101111110", "1" * 15, "1" * 7 + "01111110", "1" * 40)
_SEVEN_ONES = "1" * 7
_JOINS = (FlagJoin.SEPARATE, FlagJoin.SHARED, FlagJoin.SHARED_ZERO)
_TAGS = (b"", b"\x81\x00\x00\x05", b"\x81\xff\x81\x00", b"\x00\x08")
"""What stands behind the addresses: nothing, a VLAN tag, what is none, a length of 8 (all else is padding)."""
_EXPERIMENTAL = b"\x88\xb5"
"""EtherType for local experiments (IEEE 802, clause 9.2.3)."""
_DESTINATIONS = (b"\x01\x00\x5e\x00\x00\x01", b"\xff" * 6, b"\x01\x80\xc2\x00\x00\x0e")
"""A group, all stations (IEEE 802.3 clause 3.2.3), a group that a bridge keeps to itself (IEEE 802.1D table 7-10)."""
_STUFFED = b">"
"""0x3E: five ones between zeros, least significant bit first."""


class CloseEthernetEncoder(EthernetEncoder):
    """An encoder that can also send a frame with fewer idle groups before it than the others have."""

    def send_close(self, data: bytes, idle_groups: int) -> int:
        """Queue a frame with `idle_groups` before it; returns its sequence number."""
        usual, self._idle_bits = self._idle_bits, 5 * idle_groups
        try:
            return self.send(data)
        finally:
            self._idle_bits = usual


class RawHdlcEncoder(HdlcEncoder):
    """An encoder that can also send line bits that are no frame."""

    _RAW = -1

    def send_bits(self, bits: str) -> None:
        """Queue line bits in time order as text; a flag is sent before them, and after them by the next frame."""
        self._queue.append(_Coded(self._RAW, bits, 0, (FrameStatus.GOOD, b"", b"", 0), FlagJoin.SEPARATE))
        self._queued_bits += len(bits) + 8

    def _next_frame(self, position: int) -> str:
        bits = super()._next_frame(position)
        if self._leaving[-1].sequence == self._RAW:
            self._leaving.pop()
        return bits


def queue_hdlc(fault: Fault, encoder: RawHdlcEncoder, traffic: Iterator[bytes]) -> int:
    """Queue what an hdlc.* fault asks for; the sequence number of the frame that shows it."""
    values = fault.values
    match fault.kind.name:
        case "hdlc.fcs":
            data = _of_length(next(traffic), values["octets"] - 2) if values["octets"] else next(traffic)
            return encoder.send(data, damage=HdlcDamage(fcs_xor=values["xor"]))
        case "hdlc.data":
            data = next(f for f in traffic if len(f) > values["octet"] + values["apart"])
            wrong = _flipped(data, values)
            return encoder.send(wrong, damage=HdlcDamage(fcs_xor=fcs16(data) ^ fcs16(wrong)))
        case "hdlc.size":
            return encoder.send(_of_length(next(traffic), values["octets"] - 2))
        case "hdlc.content":
            data = bytes((values["octet"],)) * (values["octets"] - 2)
            return [encoder.send(data) for _ in range(values["frames"])][-1]
        case "hdlc.idle":
            encoder.send_bits(_IDLE_FORMS[values["how"]] * values["times"])
            return encoder.send(next(traffic))
        case "hdlc.abort_at":
            encoder.send_bits(("10" * 32)[64 - values["bits"] :] + _SEVEN_ONES)
            return encoder.send(next(traffic))
        case "hdlc.fcs_order":
            data, xor = next((f, x) for f in traffic if (x := _disorder(f, values["order"])))
            return encoder.send(data, damage=HdlcDamage(fcs_xor=xor))
        case "hdlc.abort":
            data = next(f for f in traffic if len(f) > values["after"] + 2)
            return encoder.send(data, damage=HdlcDamage(abort_after_octets=values["after"]))
        case "hdlc.abort_close":
            data = next(traffic)
            return encoder.send(data, damage=HdlcDamage(abort_after_octets=len(data) + 2))
        case "hdlc.short":
            return encoder.send(next(traffic)[: values["octets"] - 2])
        case "hdlc.long":
            return encoder.send(_of_length(next(traffic), values["octets"] - 2))
        case "hdlc.unaligned":
            return encoder.send(next(traffic), damage=HdlcDamage(drop_bits=values["drop_bits"]))
        case "hdlc.stuffing":
            data = next(f for f in traffic if _STUFFED in f)
            if values["ones"]:
                data = data[:2] + b"\xff" + data[2:]
            return encoder.send(data, damage=HdlcDamage(skip_stuffing=True))
        case "hdlc.flag":
            one, two = next(traffic), next(traffic)
            data = one + fcs16(one).to_bytes(2, "little") + bytes((values["octet"],)) + two
            # By chance both check sequences may agree; then one bit decides.
            return encoder.send(data, damage=HdlcDamage(fcs_xor=fcs16(data) ^ fcs16(two) or 1))
        case _:
            for _ in range(values["frames"]):
                encoder.send(next(traffic), join=_JOINS[values["how"]])
            return encoder.send(next(traffic))


def _of_length(data: bytes, octets: int) -> bytes:
    fill = bytes(0x20 + i % 0x50 for i in range(octets))
    return (data + fill)[:octets]


def _flipped(data: bytes, values: Mapping[str, int]) -> bytes:
    """One bit inverted, and the same bit once more so many octets later."""
    out = bytearray(data)
    for octet in {values["octet"], values["octet"] + values["apart"]}:
        out[octet] ^= 1 << values["bit"]
    return bytes(out)


def _disorder(data: bytes, order: int) -> int:
    """What turns the FCS-16 of a frame into another form of it; see hdlc.fcs_order."""
    fcs = fcs16(data)
    others = (
        fcs >> 8 | (fcs & 0xFF) << 8,
        int(f"{fcs:016b}"[::-1], 2),
        fcs ^ 0xFFFF,
        _unset(data, 16, 0x8408),
    )
    return fcs ^ others[order]


def _disorder32(data: bytes, order: int) -> int:
    """What turns the FCS-32 of a frame into another form of it; see ethernet.fcs_order."""
    fcs = crc32(data)
    backwards = int.from_bytes(fcs.to_bytes(4, "little"), "big")
    others = (backwards, int(f"{fcs:032b}"[::-1], 2), fcs ^ 0xFFFFFFFF, _unset(data, 32, 0xEDB88320))
    return fcs ^ others[order]


def _unset(data: bytes, bits: int, polynomial: int) -> int:
    """The complemented check sequence of a register that begins with zeros in place of ones."""
    register = 0
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ polynomial * (register & 1)
    return register ^ (1 << bits) - 1


def queue_ethernet(
    fault: Fault, encoder: CloseEthernetEncoder, traffic: Iterator[bytes]
) -> tuple[int, EthernetDamage]:
    """Queue what an ethernet.* fault asks for; the number of the frame that shows it, and its damage."""
    values = fault.values
    data = next(traffic)
    damage = EthernetDamage()
    match fault.kind.name:
        case "ethernet.fcs":
            data = _tagged(data, 0, values["octets"]) if values["octets"] else data
            damage = EthernetDamage(fcs_xor=values["xor"])
        case "ethernet.fcs_order":
            damage = EthernetDamage(fcs_xor=_disorder32(data, values["order"]))
        case "ethernet.data":
            right, data = data, _flipped(data, values)
            damage = EthernetDamage(fcs_xor=crc32(right) ^ crc32(data))
        case "ethernet.code":
            damage = EthernetDamage(bad_group_at=values["at"], bad_group=values["group"])
        case "ethernet.delimiter":
            damage = _broken_delimiter(DELIMITERS[values["which"]])
        case "ethernet.sfd":
            damage = EthernetDamage(sfd=values["nibble"])
        case "ethernet.preamble":
            damage = EthernetDamage(preamble_fives=values["fives"])
        case "ethernet.short":
            data = data[: values["octets"] - FCS_OCTETS]
            damage = EthernetDamage(short=True)
        case "ethernet.content":
            head = (data[:6], *_DESTINATIONS)[values["to"]] + data[6:12] + _EXPERIMENTAL
            data = head + bytes((values["octet"],)) * (values["octets"] - FCS_OCTETS - len(head))
            return [encoder.send(data) for _ in range(values["frames"])][-1], damage
        case "ethernet.gap":
            encoder.send(data)
            return encoder.send_close(next(traffic), values["groups"]), damage
        case _:
            data = _tagged(data, values["tag"], values["octets"])
    return encoder.send(data, damage), damage


def _tagged(data: bytes, tag: int, octets: int) -> bytes:
    """A frame of that length with its FCS, its addresses those of `data`."""
    head = data[:12] + _TAGS[tag] + _EXPERIMENTAL
    fill = bytes(i & 0xFF for i in range(octets))
    return (head + fill)[: octets - FCS_OCTETS]


def as_received(damage: EthernetDamage, data: bytes, fcs: bytes) -> tuple[bytes, bytes]:
    """(data, FCS) that a receiver can tell of a frame with this damage.

    Without its SSD or its SFD there is nothing; a code group that is no data reads as 0.
    """
    if damage.omits_ssd or damage.sfd != 0xD or damage.preamble_fives > LONGEST_PREAMBLE:
        return b"", b""
    if damage.bad_group_at is not None and damage.bad_group_at < 0:  # the SFD is not found behind it
        return b"", b""
    octets = bytearray(data + fcs)
    for nibble in (damage.bad_group_at, damage.idle_at):
        if nibble is not None:
            octets[nibble // 2] &= 0x0F if nibble & 1 else 0xF0
    return bytes(octets[:-FCS_OCTETS]), bytes(octets[-FCS_OCTETS:])


def _broken_delimiter(which: str) -> EthernetDamage:
    if which == "idle":
        return EthernetDamage(idle_at=40)
    if which == "nibble":
        return EthernetDamage(extra_nibble=0)
    return EthernetDamage(
        omit_ssd_j=which == "ssd_j",
        omit_ssd_k=which == "ssd_k",
        omit_esd_t=which == "esd_t",
        omit_esd_r=which == "esd_r",
    )
