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
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import construct as cs

from .errors import LayoutError, SettingsError

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
    "Layer",
    "PacketSummary",
    "VlanTag",
    "build_arp_reply",
    "build_arp_request",
    "build_ethernet",
    "build_icmp_echo",
    "build_ipv4_udp",
    "describe",
    "internet_checksum",
    "padded",
    "printable",
]

BROADCAST = "ff:ff:ff:ff:ff:ff"
SHORTEST_FRAME = 60
"""Octets of the shortest Ethernet frame without its FCS (IEEE 802.3 minFrameSize 64, less 4)."""

_ETHERTYPE_IPV4, _ETHERTYPE_ARP, _ETHERTYPE_VLAN = 0x0800, 0x0806, 0x8100
_TAG_TYPES = frozenset({_ETHERTYPE_VLAN, 0x88A8})
_FIRST_ETHERTYPE = 0x0600
_PROTOCOL_ICMP, _PROTOCOL_UDP = 1, 17
_MOST_TAGS = 4
_SHOWN_OCTETS = 64
_SHOWN_OPTION_OCTETS = 40

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


@dataclass(frozen=True, slots=True)
class Layer:
    """One header: its name and its fields as (name, text), in the order on the line; printable ASCII only."""

    name: str
    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class PacketSummary:
    """What a frame says. `problems` is empty when all of it was read and every checksum is right."""

    layers: tuple[Layer, ...]
    line: str
    problems: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """The same at length: a line for each layer, an indented one for each field, then the problems."""
        out: list[str] = []
        for layer in self.layers:
            out.append(layer.name)
            out.extend(f"  {name}: {text}" for name, text in layer.fields)
        out.extend(f"problem: {problem}" for problem in self.problems)
        return tuple(out)


# ---------------------------------------------------------------------------------------------- checksum


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


def _udp_pseudo_header(source: bytes, destination: bytes, length: int) -> bytes:
    return source + destination + struct.pack(">BBH", 0, _PROTOCOL_UDP, length)


# ------------------------------------------------------------------------------------------------- build


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
    return macs + struct.pack(">HH", _ETHERTYPE_VLAN, tci) + tail


def padded(frame: bytes, octets: int = SHORTEST_FRAME) -> bytes:
    """`frame` with zero octets at its end up to `octets`, as a MAC pads (IEEE 802.3 clause 3.2.8)."""
    return frame.ljust(octets, b"\0")


def _arp(operation: int, sender: Host, target: Host) -> bytes:
    return bytes(
        ARP_IPV4.build(
            {
                "hardware_type": 1,
                "protocol_type": _ETHERTYPE_IPV4,
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
    return build_ethernet(BROADCAST, sender.mac, _ETHERTYPE_ARP, body, vlan)


def build_arp_reply(sender: Host, target: Host, vlan: VlanTag | None = None) -> bytes:
    """A frame that tells `target` where the sender is (RFC 826, operation 2)."""
    return build_ethernet(target.mac, sender.mac, _ETHERTYPE_ARP, _arp(2, sender, target), vlan)


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
    pseudo = _udp_pseudo_header(_ip(sender.ip), _ip(target.ip), 8 + len(payload))
    datagram = bytes(UDP.build(values)) + payload
    # 0 on the line would mean that the sender made no checksum (RFC 768).
    datagram = _with_checksum(datagram, 6, internet_checksum(pseudo + datagram) or 0xFFFF)
    packet = _ipv4(sender, target, _PROTOCOL_UDP, datagram, identification=identification, ttl=ttl)
    return build_ethernet(target.mac, sender.mac, _ETHERTYPE_IPV4, packet, vlan)


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
    packet = _ipv4(sender, target, _PROTOCOL_ICMP, message, identification=identification, ttl=ttl)
    return build_ethernet(target.mac, sender.mac, _ETHERTYPE_IPV4, packet, vlan)


# ---------------------------------------------------------------------------------------------- describe

_ESCAPES = tuple(chr(c) if 0x20 <= c <= 0x7E and chr(c) not in "\\[" else f"\\x{c:02x}" for c in range(256))


def printable(data: bytes, most: int = _SHOWN_OCTETS) -> str:
    """The first `most` octets as inert ASCII, the rest as a count.

    Whatever is not printable, the backslash and the opening square bracket (which a terminal toolkit may
    take for markup) are written `\\xNN`.
    """
    text = "".join(_ESCAPES[octet] for octet in data[:most])
    return text if len(data) <= most else f"{text} ... {len(data) - most} more octets"


def _mac_text(octets: bytes) -> str:
    return octets.hex(":")


def _ip_text(octets: bytes) -> str:
    return ".".join(map(str, octets))


class _Reader:
    """Collects layers while `describe` walks down one frame."""

    def __init__(self) -> None:
        self.layers: list[Layer] = []
        self.problems: list[str] = []
        self.prefix = ""

    def layer(self, name: str, *fields: tuple[str, str]) -> None:
        self.layers.append(Layer(name, fields))

    def payload(self, data: bytes) -> None:
        if data:
            self.layer("Payload", ("octets", str(len(data))), ("text", printable(data)))

    def header(self, layout: Any, name: str, data: bytes) -> Any | None:
        """The header at the start of `data`; None, the problem and the octets kept, when it is cut short."""
        size = int(layout.sizeof())
        if len(data) < size:
            self.problems.append(f"{name} header cut short: {len(data)} of {size} octets")
            self.payload(data)
            return None
        return layout.parse(data[:size])

    def checksum(self, name: str, seen: int, right: int) -> tuple[str, str]:
        if seen == right:
            return "checksum", f"0x{seen:04x}, right"
        self.problems.append(f"{name} checksum wrong")
        return "checksum", f"0x{seen:04x}, checksum wrong, 0x{right:04x} computed"


def describe(frame: bytes) -> PacketSummary:
    """What `frame` (Ethernet, without FCS) says, as plain printable text; any octets are taken.

    `line` ends with the problems in round brackets where there are any.
    """
    reader = _Reader()
    line = _ethernet(reader, bytes(frame))
    line = reader.prefix + line
    if reader.problems:
        line += f" ({'; '.join(reader.problems)})"
    return PacketSummary(tuple(reader.layers), line, tuple(reader.problems))


def _ethernet(reader: _Reader, frame: bytes) -> str:
    header = reader.header(ETHERNET, "Ethernet", frame)
    if header is None:
        return f"Ethernet {len(frame)} octets"
    ends = f"{_mac_text(header.source)} to {_mac_text(header.destination)}"
    ethertype = int(header.ethertype)
    is_length = ethertype < _FIRST_ETHERTYPE
    reader.layer(
        "Ethernet",
        ("destination", _mac_text(header.destination)),
        ("source", _mac_text(header.source)),
        ("length", str(ethertype)) if is_length else ("type", f"0x{ethertype:04x}"),
    )
    body = frame[14:]
    tags = 0
    while ethertype in _TAG_TYPES:
        if tags == _MOST_TAGS:
            reader.problems.append(f"more than {_MOST_TAGS} VLAN tags")
            reader.payload(body)
            return f"Ethernet {ends} {len(body)} octets"
        tag = reader.header(VLAN, "VLAN", body)
        if tag is None:
            return f"Ethernet {ends} {len(body)} octets"
        ethertype, body, tags = int(tag.ethertype), body[4:], tags + 1
        reader.prefix += f"VLAN {tag.tci.vid} "
        reader.layer(
            "VLAN",
            ("identifier", str(tag.tci.vid)),
            ("priority", str(tag.tci.pcp)),
            ("drop eligible", "yes" if tag.tci.dei else "no"),
            ("type", f"0x{ethertype:04x}"),
        )
    walk = _BY_ETHERTYPE.get(ethertype)
    if walk is not None:
        return walk(reader, body)
    reader.payload(body)
    kind = "length" if ethertype < _FIRST_ETHERTYPE else "type"
    value = str(ethertype) if kind == "length" else f"0x{ethertype:04x}"
    return f"Ethernet {kind} {value} {ends} {len(body)} octets"


def _read_arp(reader: _Reader, data: bytes) -> str:
    arp = reader.header(ARP_IPV4, "ARP", data)
    if arp is None:
        return "ARP"
    kinds = (arp.hardware_type, arp.protocol_type, arp.hardware_length, arp.protocol_length)
    if kinds != (1, _ETHERTYPE_IPV4, 6, 4):
        reader.problems.append("ARP for other than Ethernet and IPv4 addresses")
        reader.layer(
            "ARP",
            ("hardware type", str(arp.hardware_type)),
            ("protocol type", f"0x{arp.protocol_type:04x}"),
            ("hardware address length", str(arp.hardware_length)),
            ("protocol address length", str(arp.protocol_length)),
            ("operation", str(arp.operation)),
        )
        reader.payload(data[8:])
        return f"ARP operation {arp.operation}"
    names = {1: "1, request", 2: "2, reply"}
    sender_mac, target_mac = _mac_text(arp.sender_mac), _mac_text(arp.target_mac)
    sender_ip, target_ip = _ip_text(arp.sender_ip), _ip_text(arp.target_ip)
    reader.layer(
        "ARP",
        ("operation", names.get(arp.operation, str(arp.operation))),
        ("sender", f"{sender_mac} {sender_ip}"),
        ("target", f"{target_mac} {target_ip}"),
        ("padding", f"{len(data) - 28} octets"),
    )
    if arp.operation == 1:
        return f"ARP request for {target_ip} from {sender_ip}"
    if arp.operation == 2:
        return f"ARP reply {sender_ip} has {sender_mac}"
    reader.problems.append(f"ARP operation {arp.operation} unknown")
    return f"ARP operation {arp.operation} {sender_ip} to {target_ip}"


def _read_ipv4(reader: _Reader, data: bytes) -> str:
    ip = reader.header(IPV4, "IPv4", data)
    if ip is None:
        return "IPv4"
    ends = f"{_ip_text(ip.source)} to {_ip_text(ip.destination)}"
    header_octets, total = 4 * int(ip.first.header_words), int(ip.total_length)
    offset_octets, more = 8 * int(ip.fragment.offset_words), bool(ip.fragment.more_fragments)
    problem = None
    if ip.first.version != 4:
        problem = f"IPv4 type with version {ip.first.version}"
    elif header_octets < 20:
        problem = f"IPv4 header length {header_octets} below 20"
    elif total < header_octets:
        problem = f"IPv4 total length {total} below its header's {header_octets}"
    elif len(data) < header_octets:
        problem = f"IPv4 options cut short: {len(data)} of {header_octets} octets"
    fields = [
        ("source", _ip_text(ip.source)),
        ("destination", _ip_text(ip.destination)),
        ("total length", str(total)),
        ("identification", f"0x{ip.identification:04x}"),
        ("time to live", str(ip.ttl)),
        ("protocol", str(ip.protocol)),
    ]
    if ip.fragment.dont_fragment:
        fields.append(("flags", "do not fragment"))
    if more or offset_octets:
        fields.append(("fragment", f"at octet {offset_octets}, {'more follow' if more else 'the last'}"))
    if problem is not None:
        reader.problems.append(problem)
        reader.layer("IPv4", *fields, ("checksum", f"0x{ip.checksum:04x}, not checked"))
        reader.payload(data[20:])
        return f"IPv4 {ends}"
    header = data[:header_octets]
    right = internet_checksum(header[:10] + b"\0\0" + header[12:])
    fields.append(reader.checksum("IPv4", ip.checksum, right))
    if header_octets > 20:
        fields.append(("options", header[20 : 20 + _SHOWN_OPTION_OCTETS].hex(" ")))
    if len(data) > total:
        fields.append(("padding", f"{len(data) - total} octets"))
    reader.layer("IPv4", *fields)
    whole = len(data) >= total
    if not whole:
        reader.problems.append(f"IPv4 packet cut short: {len(data)} of {total} octets")
    body = data[header_octets:total]
    if offset_octets:
        reader.payload(body)
        return f"IPv4 {ends} protocol {ip.protocol} fragment at {offset_octets} {len(body)} octets"
    if ip.protocol == _PROTOCOL_UDP:
        pseudo = bytes(ip.source + ip.destination)
        return _read_udp(reader, body, ip, pseudo, check=whole and not more)
    if ip.protocol == _PROTOCOL_ICMP:
        return _read_icmp(reader, body, ends, check=whole and not more)
    reader.payload(body)
    return f"IPv4 protocol {ip.protocol} {ends} {len(body)} octets"


def _read_udp(reader: _Reader, data: bytes, ip: Any, addresses: bytes, *, check: bool) -> str:
    udp = reader.header(UDP, "UDP", data)
    if udp is None:
        return f"IPv4 UDP {_ip_text(ip.source)} to {_ip_text(ip.destination)}"
    length = int(udp.length)
    if length < 8:
        reader.problems.append(f"UDP length {length} below 8")
        check = False
    elif check and length > len(data):
        reader.problems.append(f"UDP datagram cut short: {len(data)} of {length} octets")
        check = False
    if udp.checksum == 0:
        checksum = ("checksum", "none sent")
    elif check:
        covered = (
            _udp_pseudo_header(addresses[:4], addresses[4:], length) + data[:6] + b"\0\0" + data[8:length]
        )
        checksum = reader.checksum("UDP", udp.checksum, internet_checksum(covered) or 0xFFFF)
    else:
        checksum = ("checksum", f"0x{udp.checksum:04x}, not checked")
    reader.layer(
        "UDP",
        ("source port", str(udp.source_port)),
        ("destination port", str(udp.destination_port)),
        ("length", str(length)),
        checksum,
    )
    payload = data[8 : max(length, 8)]
    reader.payload(payload)
    source = f"{_ip_text(ip.source)}:{udp.source_port}"
    destination = f"{_ip_text(ip.destination)}:{udp.destination_port}"
    return f"IPv4 UDP {source} to {destination} {len(payload)} octets"


def _read_icmp(reader: _Reader, data: bytes, ends: str, *, check: bool) -> str:
    icmp = reader.header(ICMP_ECHO, "ICMP", data)
    if icmp is None:
        return f"IPv4 ICMP {ends}"
    kinds = {(8, 0): "echo request", (0, 0): "echo reply"}
    kind = kinds.get((icmp.type, icmp.code))
    if check:
        checksum = reader.checksum("ICMP", icmp.checksum, internet_checksum(data[:2] + b"\0\0" + data[4:]))
    else:
        checksum = ("checksum", f"0x{icmp.checksum:04x}, not checked")
    fields = [("type", str(icmp.type)), ("code", str(icmp.code)), checksum]
    if kind is None:
        reader.layer("ICMP", *fields)
        reader.payload(data[4:])
        return f"IPv4 ICMP type {icmp.type} code {icmp.code} {ends} {len(data) - 4} octets"
    numbers = (("identifier", str(icmp.identifier)), ("sequence", str(icmp.sequence)))
    reader.layer(f"ICMP {kind}", *fields, *numbers)
    reader.payload(data[8:])
    return f"IPv4 ICMP {kind} {ends} id {icmp.identifier} seq {icmp.sequence} {len(data) - 8} octets"


_BY_ETHERTYPE: dict[int, Callable[[_Reader, bytes], str]] = {
    _ETHERTYPE_ARP: _read_arp,
    _ETHERTYPE_IPV4: _read_ipv4,
}
