"""Puts faults of the C&M channels into their frame queues: the damaged frame, or frames that meet oddly.

ISO/IEC 13239 and IEEE 802.3. The data comes from the sender's own traffic, so that a damaged frame looks like its
neighbours. Nothing here draws.
"""

from __future__ import annotations

from collections.abc import Iterator

from decoders.cm_plane.ethernet import EthernetDamage, EthernetEncoder
from decoders.cm_plane.hdlc import FlagJoin, HdlcDamage, HdlcEncoder, fcs16

from .channel_faults import DELIMITERS, LONGEST_PREAMBLE
from .kinds import Fault

__all__ = ["CloseEthernetEncoder", "as_received", "queue_ethernet", "queue_hdlc"]

FCS_OCTETS = 4
_JOINS = (FlagJoin.SEPARATE, FlagJoin.SHARED, FlagJoin.SHARED_ZERO)
_TAG = b"\x81\x00\x00\x05"
_EXPERIMENTAL = b"\x88\xb5"
"""EtherType for local experiments (IEEE 802, clause 9.2.3)."""
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


def queue_hdlc(fault: Fault, encoder: HdlcEncoder, traffic: Iterator[bytes]) -> int:
    """Queue what an hdlc.* fault asks for; the sequence number of the frame that shows it."""
    values = fault.values
    match fault.kind.name:
        case "hdlc.fcs":
            return encoder.send(next(traffic), damage=HdlcDamage(fcs_xor=values["xor"]))
        case "hdlc.fcs_order":
            data, xor = next((f, x) for f in traffic if (x := _disorder(fcs16(f), values["order"])))
            return encoder.send(data, damage=HdlcDamage(fcs_xor=xor))
        case "hdlc.abort":
            data = next(f for f in traffic if len(f) > values["after"] + 2)
            return encoder.send(data, damage=HdlcDamage(abort_after_octets=values["after"]))
        case "hdlc.short":
            return encoder.send(next(traffic)[: values["octets"] - 2])
        case "hdlc.long":
            head = next(traffic)
            fill = bytes(0x20 + i % 0x50 for i in range(values["octets"]))
            return encoder.send((head + fill)[: values["octets"] - 2])
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


def _disorder(fcs: int, order: int) -> int:
    """What turns an FCS into itself with octets exchanged (0) or bits reversed (1)."""
    other = int(f"{fcs:016b}"[::-1], 2) if order else fcs >> 8 | (fcs & 0xFF) << 8
    return fcs ^ other


def queue_ethernet(
    fault: Fault, encoder: CloseEthernetEncoder, traffic: Iterator[bytes]
) -> tuple[int, EthernetDamage]:
    """Queue what an ethernet.* fault asks for; the number of the frame that shows it, and its damage."""
    values = fault.values
    data = next(traffic)
    damage = EthernetDamage()
    match fault.kind.name:
        case "ethernet.fcs":
            damage = EthernetDamage(fcs_xor=values["xor"])
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
        case "ethernet.gap":
            encoder.send(data)
            return encoder.send_close(next(traffic), values["groups"]), damage
        case _:
            head = data[:12] + (_TAG if values["tag"] else b"") + _EXPERIMENTAL
            fill = bytes(i & 0xFF for i in range(values["octets"]))
            data = (head + fill)[: values["octets"] - FCS_OCTETS]
    return encoder.send(data, damage), damage


def as_received(damage: EthernetDamage, data: bytes, fcs: bytes) -> tuple[bytes, bytes]:
    """(data, FCS) that a receiver can tell of a frame with this damage.

    Without its SSD or its SFD there is nothing; a code group that is no data reads as 0.
    """
    if damage.omits_ssd or damage.sfd != 0xD or damage.preamble_fives > LONGEST_PREAMBLE:
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
