"""Headers of Ethernet, ARP, IPv4, UDP and ICMP in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from .packets import (
    ARP_IPV4,
    ETHERNET,
    ETHERTYPE_ARP,
    ETHERTYPE_IPV4,
    FIRST_ETHERTYPE,
    ICMP_ECHO,
    IPV4,
    PROTOCOL_ICMP,
    PROTOCOL_UDP,
    TAG_TYPES,
    UDP,
    VLAN,
    internet_checksum,
    udp_pseudo_header,
)

__all__ = ["HeaderText", "PacketSummary", "describe", "printable"]

_MOST_TAGS = 4
_SHOWN_OCTETS = 64
_SHOWN_OPTION_OCTETS = 40


@dataclass(frozen=True, slots=True)
class HeaderText:
    """One header: its name and its fields as (name, text), in the order on the line; printable ASCII only."""

    name: str
    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class PacketSummary:
    """What a frame says. `problems` is empty when all of it was read and every checksum is right."""

    layers: tuple[HeaderText, ...]
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
        self.layers: list[HeaderText] = []
        self.problems: list[str] = []
        self.prefix = ""

    def layer(self, name: str, *fields: tuple[str, str]) -> None:
        self.layers.append(HeaderText(name, fields))

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
    is_length = ethertype < FIRST_ETHERTYPE
    reader.layer(
        "Ethernet",
        ("destination", _mac_text(header.destination)),
        ("source", _mac_text(header.source)),
        ("length", str(ethertype)) if is_length else ("type", f"0x{ethertype:04x}"),
    )
    body = frame[14:]
    tags = 0
    while ethertype in TAG_TYPES:
        if tags == _MOST_TAGS:
            reader.problems.append(f"more than {_MOST_TAGS} VLAN tags")
            reader.payload(body)
            return f"Ethernet {ends}, {len(body)} octets"
        tag = reader.header(VLAN, "VLAN", body)
        if tag is None:
            return f"Ethernet {ends}, {len(body)} octets"
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
    kind = "length" if ethertype < FIRST_ETHERTYPE else "type"
    value = str(ethertype) if kind == "length" else f"0x{ethertype:04x}"
    return f"Ethernet {kind} {value} {ends}, {len(body)} octets"


def _read_arp(reader: _Reader, data: bytes) -> str:
    arp = reader.header(ARP_IPV4, "ARP", data)
    if arp is None:
        return "ARP"
    kinds = (arp.hardware_type, arp.protocol_type, arp.hardware_length, arp.protocol_length)
    if kinds != (1, ETHERTYPE_IPV4, 6, 4):
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
        return f"IPv4 {ends} protocol {ip.protocol} fragment at {offset_octets}, {len(body)} octets"
    if ip.protocol == PROTOCOL_UDP:
        pseudo = bytes(ip.source + ip.destination)
        return _read_udp(reader, body, ip, pseudo, check=whole and not more)
    if ip.protocol == PROTOCOL_ICMP:
        return _read_icmp(reader, body, ends, check=whole and not more)
    reader.payload(body)
    return f"IPv4 protocol {ip.protocol} {ends}, {len(body)} octets"


def _read_udp(reader: _Reader, data: bytes, ip: Any, addresses: bytes, *, check: bool) -> str:
    udp = reader.header(UDP, "UDP", data)
    if udp is None:
        return f"UDP {_ip_text(ip.source)} to {_ip_text(ip.destination)}"
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
            udp_pseudo_header(addresses[:4], addresses[4:], length) + data[:6] + b"\0\0" + data[8:length]
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
    return f"UDP {source} to {destination}, {len(payload)} octets"


def _read_icmp(reader: _Reader, data: bytes, ends: str, *, check: bool) -> str:
    icmp = reader.header(ICMP_ECHO, "ICMP", data)
    if icmp is None:
        return f"ICMP {ends}"
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
        return f"ICMP type {icmp.type} code {icmp.code} {ends}, {len(data) - 4} octets"
    numbers = (("identifier", str(icmp.identifier)), ("sequence", str(icmp.sequence)))
    reader.layer(f"ICMP {kind}", *fields, *numbers)
    reader.payload(data[8:])
    return f"{kind} #{icmp.sequence} (id {icmp.identifier}) {ends}, {len(data) - 8} octets"


_BY_ETHERTYPE: dict[int, Callable[[_Reader, bytes], str]] = {
    ETHERTYPE_ARP: _read_arp,
    ETHERTYPE_IPV4: _read_ipv4,
}
