"""Packets inside fast C&M frames: Ethernet II, 802.1Q, ARP, IPv4, UDP and ICMP echo, built and described.

CPRI V7.0 clause 4.2.7.7.2 carries Ethernet frames and leaves what is in them to the vendor; these headers
are here so that a screen or a report can say in words what a recovered frame is, and so that an emulated
board has something true to send. IEEE 802.3 clause 3 and IEEE 802.1Q clause 9 (from memory), RFC 826 (ARP),
RFC 791 (IPv4), RFC 768 (UDP), RFC 792 (ICMP), RFC 1071 (the checksum).

Frames are without preamble and FCS. `describe` never raises on any octets: it tells as much as it could
read and why it stopped. It never reassembles fragments, never keeps state, never resolves names.
"""

from __future__ import annotations

import ipaddress
import struct
from dataclasses import dataclass
from typing import Any

import construct as cs

from ..errors import LayoutError, SettingsError

__all__ = [
    "ARP_IPV4",
    "BROADCAST",
    "ETHERNET",
    "ICMP_ECHO",
    "IPV4",
    "SHORTEST_FRAME",
    "UDP",
    "VLAN",
    "Host",
    "VlanTag",
    "build_arp_reply",
    "build_arp_request",
    "build_ethernet",
    "build_icmp_echo",
    "build_ipv4_udp",
    "internet_checksum",
    "padded",
]

BROADCAST = "ff:ff:ff:ff:ff:ff"
SHORTEST_FRAME = 60
"""Octets of the shortest Ethernet frame without its FCS (IEEE 802.3 minFrameSize 64, less 4)."""

ETHERTYPE_IPV4, ETHERTYPE_ARP, ETHERTYPE_VLAN = 0x0800, 0x0806, 0x8100

TAG_TYPES = frozenset({ETHERTYPE_VLAN, 0x88A8})

FIRST_ETHERTYPE = 0x0600

PROTOCOL_ICMP, PROTOCOL_UDP = 1, 17

ETHERNET = cs.Struct("destination" / cs.Bytes(6), "source" / cs.Bytes(6), "ethertype" / cs.Int16ub)
"""MAC addresses and type (IEEE 802.3 clause 3.2)."""

VLAN = cs.Struct(
    "tci" / cs.BitStruct("pcp" / cs.BitsInteger(3), "dei" / cs.BitsInteger(1), "vid" / cs.BitsInteger(12)),
    "ethertype" / cs.Int16ub,
)
"""What follows the type 0x8100: tag control information, then the next type (IEEE 802.1Q clause 9)."""

ARP_IPV4 = cs.Struct(
    "hardware_type" / cs.Int16ub,
    "protocol_type" / cs.Int16ub,
    "hardware_length" / cs.Int8ub,
    "protocol_length" / cs.Int8ub,
    "operation" / cs.Int16ub,
    "sender_mac" / cs.Bytes(6),
    "sender_ip" / cs.Bytes(4),
    "target_mac" / cs.Bytes(6),
    "target_ip" / cs.Bytes(4),
)
"""ARP for Ethernet and IPv4 addresses (RFC 826)."""

IPV4 = cs.Struct(
    "first" / cs.BitStruct("version" / cs.BitsInteger(4), "header_words" / cs.BitsInteger(4)),
    "type_of_service" / cs.Int8ub,
    "total_length" / cs.Int16ub,
    "identification" / cs.Int16ub,
    "fragment"
    / cs.BitStruct(
        "reserved" / cs.BitsInteger(1),
        "dont_fragment" / cs.BitsInteger(1),
        "more_fragments" / cs.BitsInteger(1),
        "offset_words" / cs.BitsInteger(13),
    ),
    "ttl" / cs.Int8ub,
    "protocol" / cs.Int8ub,
    "checksum" / cs.Int16ub,
    "source" / cs.Bytes(4),
    "destination" / cs.Bytes(4),
)
"""The IPv4 header without its options (RFC 791 clause 3.1); the fragment offset counts 8 octets."""

UDP = cs.Struct(
    "source_port" / cs.Int16ub,
    "destination_port" / cs.Int16ub,
    "length" / cs.Int16ub,
    "checksum" / cs.Int16ub,
)
"""RFC 768; `length` counts these 8 octets too."""

ICMP_ECHO = cs.Struct(
    "type" / cs.Int8ub,
    "code" / cs.Int8ub,
    "checksum" / cs.Int16ub,
    "identifier" / cs.Int16ub,
    "sequence" / cs.Int16ub,
)
"""ICMP echo request (type 8) and reply (type 0) (RFC 792)."""


@dataclass(frozen=True, slots=True)
class Host:
    """One end of a packet: MAC address as `02:00:00:00:00:01`, IPv4 address as `10.77.0.1`."""

    mac: str
    ip: str


@dataclass(frozen=True, slots=True)
class VlanTag:
    """An 802.1Q tag: VLAN identifier 0..4095, priority 0..7, drop eligible."""

    vid: int
    pcp: int = 0
    dei: bool = False


def internet_checksum(data: bytes) -> int:
    """The 16-bit one's complement of the one's complement sum of `data` (RFC 1071), padded to even length.

    Over octets that already hold a right checksum the result is 0.
    """
    number = int.from_bytes(data + bytes(len(data) & 1), "big")
    # 2^16 = 1 modulo 65 535, so the remainder is the end-around-carry sum; only 0 has two forms there.
    total = number % 0xFFFF
    if total == 0 and number != 0:
        total = 0xFFFF
    return total ^ 0xFFFF


def udp_pseudo_header(source: bytes, destination: bytes, length: int) -> bytes:
    return source + destination + struct.pack(">BBH", 0, PROTOCOL_UDP, length)


def _mac(text: str) -> bytes:
    parts = text.split(":")
    try:
        octets = bytes(int(part, 16) for part in parts)
    except ValueError:
        octets = b""
    if len(octets) != 6 or any(len(part) != 2 for part in parts):
        raise SettingsError(f"MAC address {text!r} is not six octets like 02:00:00:00:00:01")
    return octets


def _ip(text: str) -> bytes:
    try:
        return ipaddress.IPv4Address(text).packed
    except ValueError as error:
        raise SettingsError(f"IPv4 address {text!r} is not like 10.77.0.1: {error}") from None


def _in_range(name: str, value: int, largest: int) -> int:
    if not 0 <= value <= largest:
        raise SettingsError(f"{name} {value} is outside 0..{largest}")
    return value


def build_ethernet(
    destination: str, source: str, ethertype: int, payload: bytes, vlan: VlanTag | None = None
) -> bytes:
    """An Ethernet II frame without FCS and without padding (IEEE 802.3 clause 3.2).

    SettingsError for an address, type or tag that cannot be.
    """
    macs = _mac(destination) + _mac(source)
    tail = struct.pack(">H", _in_range("ethertype", ethertype, 0xFFFF)) + payload
    if vlan is None:
        return macs + tail
    tci = (
        _in_range("VLAN priority", vlan.pcp, 7) << 13
        | int(vlan.dei) << 12
        | _in_range("VLAN identifier", vlan.vid, 0xFFF)
    )
    return macs + struct.pack(">HH", ETHERTYPE_VLAN, tci) + tail


def padded(frame: bytes, octets: int = SHORTEST_FRAME) -> bytes:
    """`frame` with zero octets at its end up to `octets`, as a MAC pads (IEEE 802.3 clause 3.2.8)."""
    return frame.ljust(octets, b"\0")


def _arp(operation: int, sender: Host, target: Host) -> bytes:
    return bytes(
        ARP_IPV4.build(
            {
                "hardware_type": 1,
                "protocol_type": ETHERTYPE_IPV4,
                "hardware_length": 6,
                "protocol_length": 4,
                "operation": operation,
                "sender_mac": _mac(sender.mac),
                "sender_ip": _ip(sender.ip),
                "target_mac": _mac(target.mac),
                "target_ip": _ip(target.ip),
            }
        )
    )


def build_arp_request(sender: Host, target_ip: str, vlan: VlanTag | None = None) -> bytes:
    """A broadcast frame that asks who has `target_ip` (RFC 826, operation 1)."""
    body = _arp(1, sender, Host("00:00:00:00:00:00", target_ip))
    return build_ethernet(BROADCAST, sender.mac, ETHERTYPE_ARP, body, vlan)


def build_arp_reply(sender: Host, target: Host, vlan: VlanTag | None = None) -> bytes:
    """A frame that tells `target` where the sender is (RFC 826, operation 2)."""
    return build_ethernet(target.mac, sender.mac, ETHERTYPE_ARP, _arp(2, sender, target), vlan)


def _with_checksum(octets: bytes, at: int, checksum: int) -> bytes:
    return octets[:at] + checksum.to_bytes(2, "big") + octets[at + 2 :]


def _ipv4(sender: Host, target: Host, protocol: int, body: bytes, *, identification: int, ttl: int) -> bytes:
    if 20 + len(body) > 0xFFFF:
        raise LayoutError(f"{len(body)} octets do not fit one IPv4 packet (at most {0xFFFF - 20})")
    values: dict[str, Any] = {
        "first": {"version": 4, "header_words": 5},
        "type_of_service": 0,
        "total_length": 20 + len(body),
        "identification": _in_range("identification", identification, 0xFFFF),
        "fragment": {"reserved": 0, "dont_fragment": 0, "more_fragments": 0, "offset_words": 0},
        "ttl": _in_range("ttl", ttl, 0xFF),
        "protocol": protocol,
        "checksum": 0,
        "source": _ip(sender.ip),
        "destination": _ip(target.ip),
    }
    header = bytes(IPV4.build(values))
    return _with_checksum(header, 10, internet_checksum(header)) + body


def build_ipv4_udp(
    sender: Host,
    target: Host,
    source_port: int,
    destination_port: int,
    payload: bytes,
    *,
    identification: int = 0,
    ttl: int = 64,
    vlan: VlanTag | None = None,
) -> bytes:
    """A whole frame with one UDP datagram, both checksums right (RFC 791, RFC 768)."""
    values = {
        "source_port": _in_range("source port", source_port, 0xFFFF),
        "destination_port": _in_range("destination port", destination_port, 0xFFFF),
        "length": 8 + len(payload),
        "checksum": 0,
    }
    if len(payload) > 0xFFFF - 28:
        raise LayoutError(f"{len(payload)} octets do not fit one UDP datagram (at most {0xFFFF - 28})")
    pseudo = udp_pseudo_header(_ip(sender.ip), _ip(target.ip), 8 + len(payload))
    datagram = bytes(UDP.build(values)) + payload
    # 0 on the line would mean that the sender made no checksum (RFC 768).
    datagram = _with_checksum(datagram, 6, internet_checksum(pseudo + datagram) or 0xFFFF)
    packet = _ipv4(sender, target, PROTOCOL_UDP, datagram, identification=identification, ttl=ttl)
    return build_ethernet(target.mac, sender.mac, ETHERTYPE_IPV4, packet, vlan)


def build_icmp_echo(
    sender: Host,
    target: Host,
    identifier: int,
    sequence: int,
    payload: bytes = b"",
    *,
    reply: bool = False,
    identification: int = 0,
    ttl: int = 64,
    vlan: VlanTag | None = None,
) -> bytes:
    """A whole frame with one ICMP echo request or reply, both checksums right (RFC 791, RFC 792)."""
    values = {
        "type": 0 if reply else 8,
        "code": 0,
        "checksum": 0,
        "identifier": _in_range("identifier", identifier, 0xFFFF),
        "sequence": _in_range("sequence", sequence, 0xFFFF),
    }
    message = bytes(ICMP_ECHO.build(values)) + payload
    message = _with_checksum(message, 2, internet_checksum(message))
    packet = _ipv4(sender, target, PROTOCOL_ICMP, message, identification=identification, ttl=ttl)
    return build_ethernet(target.mac, sender.mac, ETHERTYPE_IPV4, packet, vlan)
