"""Packets: dpkt (an independent implementation) both ways, published sums, and octets nobody should send."""

from __future__ import annotations

import random
import string
import struct

import dpkt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.cm_plane.packet_text import PacketSummary, describe, printable
from decoders.cm_plane.packets import (
    BROADCAST,
    Host,
    VlanTag,
    build_arp_reply,
    build_arp_request,
    build_ethernet,
    build_icmp_echo,
    build_ipv4_udp,
    internet_checksum,
    padded,
)
from decoders.errors import DecodersError, LayoutError, SettingsError

REC = Host("02:53:4d:00:00:01", "10.77.0.1")
RE = Host("02:53:4d:00:00:02", "10.77.0.2")
REC_MAC, RE_MAC = bytes.fromhex("02534d000001"), bytes.fromhex("02534d000002")
REC_IP, RE_IP = bytes((10, 77, 0, 1)), bytes((10, 77, 0, 2))
INERT = set(string.printable) - set("\t\n\r\x0b\x0c")


def fields(summary: PacketSummary, layer: str) -> dict[str, str]:
    (found,) = [one for one in summary.layers if one.name == layer]
    return dict(found.fields)


def poke(frame: bytes, at: int, value: bytes) -> bytes:
    return frame[:at] + value + frame[at + len(value) :]


def with_right_header_checksum(frame: bytes) -> bytes:
    """The IPv4 header checksum of an untagged frame by plain 16-bit addition, not by our own function."""
    header = poke(frame, 24, b"\0\0")[14:34]
    total = sum(struct.unpack(">10H", header))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return poke(frame, 24, struct.pack(">H", total ^ 0xFFFF))


# ------------------------------------------------------------------------------------------ RFC 1071, 768


def test_rfc_1071_worked_example() -> None:
    """RFC 1071 clause 3: 00 01 f2 03 f4 f5 f6 f7 has the sum ddf2, so the checksum is its complement 220d."""
    assert internet_checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF == 0x220D


@given(st.binary(max_size=200))
def test_checksum_is_the_end_around_carry_sum(data: bytes) -> None:
    even = data + bytes(len(data) % 2)
    assert internet_checksum(data) == dpkt.in_cksum(even)
    assert internet_checksum(even + struct.pack(">H", internet_checksum(even))) == 0


def test_the_two_zeros_of_the_one_s_complement_sum() -> None:
    assert internet_checksum(bytes(20)) == 0xFFFF
    assert internet_checksum(b"\xff\xff") == 0
    assert internet_checksum(b"\x7f\xff\x80\x00") == 0
    assert internet_checksum(b"") == 0xFFFF


def test_a_udp_checksum_that_comes_to_zero_is_sent_as_ones() -> None:
    """RFC 768: "If the computed checksum is zero, it is transmitted as all ones"."""
    plain = build_ipv4_udp(REC, RE, 5005, 5006, b"\0\0")
    checksum = plain[40:42]
    frame = build_ipv4_udp(REC, RE, 5005, 5006, checksum)
    assert frame[40:42] == b"\xff\xff"
    assert describe(frame).problems == ()
    assert fields(describe(frame), "UDP")["checksum"] == "0xffff, right"


# ------------------------------------------------------------------------------- ours built, dpkt reads


@pytest.mark.parametrize("payload", [b"", b"x", b"status 000123", bytes(range(256)) * 5])
def test_dpkt_reads_our_udp(payload: bytes) -> None:
    frame = build_ipv4_udp(REC, RE, 5005, 5006, payload, identification=0xBEEF, ttl=9)
    ethernet = dpkt.ethernet.Ethernet(frame)
    assert (ethernet.src, ethernet.dst, ethernet.type) == (REC_MAC, RE_MAC, 0x0800)
    ip, udp = ethernet.data, ethernet.data.data
    assert (ip.v, ip.hl, ip.len, ip.id, ip.ttl, ip.p) == (4, 5, 28 + len(payload), 0xBEEF, 9, 17)
    assert (ip.src, ip.dst, ip.offset) == (REC_IP, RE_IP, 0)
    assert (udp.sport, udp.dport, udp.ulen, bytes(udp.data)) == (5005, 5006, 8 + len(payload), payload)
    seen = ip.sum, udp.sum
    ip.sum = udp.sum = 0  # dpkt fills in sums that are 0
    again = dpkt.ip.IP(bytes(ip))
    assert seen == (again.sum, again.data.sum)
    assert bytes(again) == frame[14:]


@pytest.mark.parametrize("reply", [False, True])
def test_dpkt_reads_our_echo(reply: bool) -> None:
    frame = build_icmp_echo(REC, RE, 0x1234, 7, b"abcde", reply=reply)
    ip = dpkt.ethernet.Ethernet(frame).data
    echo = ip.data.data
    assert (ip.p, ip.data.type, ip.data.code) == (1, 0 if reply else 8, 0)
    assert (echo.id, echo.seq, echo.data) == (0x1234, 7, b"abcde")
    seen, ip.data.sum = ip.data.sum, 0
    assert dpkt.icmp.ICMP(bytes(ip.data)).sum == seen


def test_dpkt_reads_our_arp() -> None:
    ethernet = dpkt.ethernet.Ethernet(build_arp_request(REC, RE.ip))
    arp = ethernet.data
    assert (ethernet.dst, ethernet.src, ethernet.type) == (b"\xff" * 6, REC_MAC, 0x0806)
    assert (arp.hrd, arp.pro, arp.hln, arp.pln, arp.op) == (1, 0x0800, 6, 4, 1)
    assert (arp.sha, arp.spa, arp.tha, arp.tpa) == (REC_MAC, REC_IP, bytes(6), RE_IP)

    ethernet = dpkt.ethernet.Ethernet(build_arp_reply(RE, REC))
    arp = ethernet.data
    assert (ethernet.dst, ethernet.src, arp.op) == (REC_MAC, RE_MAC, 2)
    assert (arp.sha, arp.spa, arp.tha, arp.tpa) == (RE_MAC, RE_IP, REC_MAC, REC_IP)


def test_dpkt_reads_our_tag() -> None:
    frame = build_arp_request(REC, RE.ip, VlanTag(vid=77, pcp=5, dei=True))
    ethernet = dpkt.ethernet.Ethernet(frame)
    (tag,) = ethernet.vlan_tags
    assert (tag.id, tag.pri, tag.cfi, tag.type) == (77, 5, 1, 0x0806)
    assert isinstance(ethernet.data, dpkt.arp.ARP)


# ------------------------------------------------------------------------------- dpkt built, ours reads


def dpkt_udp(payload: bytes, tags: list[dpkt.ethernet.VLANtag8021Q] | None = None) -> bytes:
    udp = dpkt.udp.UDP(sport=5005, dport=5006, ulen=8 + len(payload), data=payload)
    ip = dpkt.ip.IP(src=REC_IP, dst=RE_IP, p=17, id=0x0102, ttl=33, data=udp, len=28 + len(payload))
    ethernet = dpkt.ethernet.Ethernet(src=REC_MAC, dst=RE_MAC, type=0x0800, data=ip)
    if tags:
        ethernet.vlan_tags = tags
    return bytes(ethernet)


def test_we_read_dpkt_udp() -> None:
    summary = describe(dpkt_udp(b"k" * 64))
    assert summary.line == "UDP 10.77.0.1:5005 to 10.77.0.2:5006, 64 octets"
    assert summary.problems == ()
    assert [layer.name for layer in summary.layers] == ["Ethernet", "IPv4", "UDP", "Payload"]
    assert fields(summary, "Ethernet") == {"destination": RE.mac, "source": REC.mac, "type": "0x0800"}
    ip = fields(summary, "IPv4")
    assert (ip["source"], ip["destination"], ip["total length"]) == ("10.77.0.1", "10.77.0.2", "92")
    assert (ip["identification"], ip["time to live"], ip["protocol"]) == ("0x0102", "33", "17")
    assert ip["checksum"].endswith(", right")
    udp = fields(summary, "UDP")
    assert (udp["source port"], udp["destination port"], udp["length"]) == ("5005", "5006", "72")
    assert udp["checksum"].endswith(", right")
    assert fields(summary, "Payload") == {"octets": "64", "text": "k" * 64}


def test_we_read_dpkt_echo_and_arp() -> None:
    echo = dpkt.icmp.ICMP.Echo(id=3, seq=4, data=b"12345")
    icmp = dpkt.icmp.ICMP(type=8, data=echo)
    ip = dpkt.ip.IP(src=REC_IP, dst=RE_IP, p=1, data=icmp, len=33)
    summary = describe(bytes(dpkt.ethernet.Ethernet(src=REC_MAC, dst=RE_MAC, type=0x0800, data=ip)))
    assert summary.line == "echo request #4 (id 3) 10.77.0.1 to 10.77.0.2, 5 octets"
    assert summary.problems == ()

    arp = dpkt.arp.ARP(op=1, sha=REC_MAC, spa=REC_IP, tha=bytes(6), tpa=RE_IP)
    summary = describe(bytes(dpkt.ethernet.Ethernet(src=REC_MAC, dst=b"\xff" * 6, type=0x0806, data=arp)))
    assert summary.line == "ARP request for 10.77.0.2 from 10.77.0.1"
    assert fields(summary, "ARP")["sender"] == "02:53:4d:00:00:01 10.77.0.1"
    arp.op = 2
    summary = describe(bytes(dpkt.ethernet.Ethernet(src=REC_MAC, dst=RE_MAC, type=0x0806, data=arp)))
    assert summary.line == "ARP reply 10.77.0.1 has 02:53:4d:00:00:01"


def test_we_read_dpkt_tags() -> None:
    tag = dpkt.ethernet.VLANtag8021Q(pri=6, cfi=0, id=1234, type=0x0800)
    summary = describe(dpkt_udp(b"", [tag]))
    assert summary.line == "VLAN 1234 UDP 10.77.0.1:5005 to 10.77.0.2:5006, 0 octets"
    assert fields(summary, "VLAN")["priority"] == "6"
    assert summary.problems == ()


# ------------------------------------------------------------------------------------- what is wrong


def test_each_wrong_checksum_is_said_once_and_by_name() -> None:
    frame = build_ipv4_udp(REC, RE, 5005, 5006, b"hello")
    for at, name in ((24, "IPv4"), (40, "UDP"), (44, "UDP")):
        summary = describe(poke(frame, at, bytes((frame[at] ^ 0x10,))))
        assert summary.problems == (f"{name} checksum wrong",)
        assert summary.line.endswith(f" 5 octets ({name} checksum wrong)")
        assert "checksum wrong" in fields(summary, name)["checksum"]
        assert summary.lines[-1] == f"problem: {name} checksum wrong"
    echo = build_icmp_echo(REC, RE, 1, 1, b"odd")
    assert describe(poke(echo, 44, b"Z")).problems == ("ICMP checksum wrong",)


def test_no_udp_checksum_is_not_a_wrong_one() -> None:
    summary = describe(poke(build_ipv4_udp(REC, RE, 1, 2, b"abc"), 40, b"\0\0"))
    assert fields(summary, "UDP")["checksum"] == "none sent"
    assert summary.problems == ()


def test_padding_is_not_payload() -> None:
    summary = describe(padded(build_ipv4_udp(REC, RE, 1, 2, b"abc")))
    assert fields(summary, "IPv4")["padding"] == "15 octets"
    assert fields(summary, "Payload")["octets"] == "3"
    assert summary.problems == ()


def test_octets_after_the_udp_length_are_neither_summed_nor_payload() -> None:
    """RFC 768 sums the datagram by its own length, whatever else the IPv4 packet holds."""
    frame = build_ipv4_udp(REC, RE, 1, 2, b"abc") + b"tail"
    frame = with_right_header_checksum(poke(frame, 16, struct.pack(">H", 20 + 8 + 3 + 4)))
    summary = describe(frame)
    assert summary.problems == ()
    assert fields(summary, "Payload") == {"octets": "3", "text": "abc"}


@pytest.mark.parametrize(
    ("octets", "problem"),
    [
        (0, "Ethernet header cut short: 0 of 14 octets"),
        (13, "Ethernet header cut short: 13 of 14 octets"),
        (14, "IPv4 header cut short: 0 of 20 octets"),
        (33, "IPv4 header cut short: 19 of 20 octets"),
        (41, "UDP header cut short: 7 of 8 octets"),
        (44, "IPv4 packet cut short: 30 of 33 octets"),
    ],
)
def test_cut_frames_tell_what_is_left_and_why(octets: int, problem: str) -> None:
    summary = describe(build_ipv4_udp(REC, RE, 5005, 5006, b"hello")[:octets])
    assert problem in summary.problems
    assert summary.line.endswith(")")
    assert not any("checksum" in one for one in summary.problems)


@pytest.mark.parametrize(
    ("at", "value", "problem"),
    [
        (14, b"\x65", "IPv4 type with version 6"),
        (14, b"\x44", "IPv4 header length 16 below 20"),
        (14, b"\x4f", "IPv4 total length 33 below its header's 60"),
        (16, b"\x00\x13", "IPv4 total length 19 below its header's 20"),
        (16, b"\xff\xff", "IPv4 packet cut short: 33 of 65535 octets"),
        (38, b"\x00\x07", "UDP length 7 below 8"),
        (38, b"\x00\x0e", "UDP datagram cut short: 13 of 14 octets"),
    ],
)
def test_lengths_that_lie(at: int, value: bytes, problem: str) -> None:
    frame = with_right_header_checksum(poke(build_ipv4_udp(REC, RE, 5005, 5006, b"hello"), at, value))
    assert describe(frame).problems == (problem,)


def test_fragments_are_named_and_their_sums_left_alone() -> None:
    frame = build_ipv4_udp(REC, RE, 5005, 5006, b"hello")
    first = describe(with_right_header_checksum(poke(frame, 20, b"\x20\x00")))
    assert first.problems == ()
    assert fields(first, "IPv4")["fragment"] == "at octet 0, more follow"
    assert fields(first, "UDP")["checksum"].endswith("not checked")
    later = describe(with_right_header_checksum(poke(frame, 20, b"\x00\x02")))
    assert later.line == "IPv4 10.77.0.1 to 10.77.0.2 protocol 17 fragment at 16, 13 octets"
    assert [layer.name for layer in later.layers] == ["Ethernet", "IPv4", "Payload"]


def test_options_are_skipped_and_summed() -> None:
    """An IPv4 header of 24 octets, options NOP NOP NOP END (RFC 791 clause 3.1), built by dpkt."""
    udp = dpkt.udp.UDP(sport=1, dport=2, ulen=10, data=b"hi")
    ip = dpkt.ip.IP(src=REC_IP, dst=RE_IP, p=17, data=udp, opts=b"\1\1\1\0", hl=6, len=34)
    summary = describe(bytes(dpkt.ethernet.Ethernet(src=REC_MAC, dst=RE_MAC, type=0x0800, data=ip)))
    assert summary.problems == ()
    assert fields(summary, "IPv4")["options"] == "01 01 01 00"
    assert fields(summary, "Payload")["text"] == "hi"


def test_other_kinds_are_named_by_number() -> None:
    unknown = describe(build_ethernet(BROADCAST, REC.mac, 0x88B5, b"\x01\x02"))
    assert unknown.line == "Ethernet type 0x88b5 02:53:4d:00:00:01 to ff:ff:ff:ff:ff:ff, 2 octets"
    length = describe(build_ethernet(BROADCAST, REC.mac, 3, b"abc"))
    assert "length 3" in length.line
    assert fields(length, "Ethernet")["length"] == "3"
    tcp = describe(with_right_header_checksum(poke(build_ipv4_udp(REC, RE, 1, 2, b""), 23, b"\x06")))
    assert tcp.line == "IPv4 protocol 6 10.77.0.1 to 10.77.0.2, 8 octets"
    arp = describe(poke(build_arp_request(REC, RE.ip), 20, b"\x00\x09"))
    assert arp.problems == ("ARP operation 9 unknown",)
    arp = describe(poke(build_arp_request(REC, RE.ip), 18, b"\x08"))
    assert arp.problems == ("ARP for other than Ethernet and IPv4 addresses",)


def test_a_tower_of_tags_ends() -> None:
    frame = build_ethernet(BROADCAST, REC.mac, 0x8100, b"\x00\x01\x81\x00" * 300)
    summary = describe(frame)
    assert summary.problems == ("more than 4 VLAN tags",)
    assert len(summary.layers) == 6


# ----------------------------------------------------------------------------------------- inert text


def test_payload_text_is_inert() -> None:
    assert printable(b"\x1b[31mred\\\x00\xff~ ") == "\\x1b\\x5b31mred\\x5c\\x00\\xff~ "
    assert printable(b"a" * 70, 64) == "a" * 64 + " ... 6 more octets"


def assert_inert(summary: PacketSummary) -> None:
    for text in (summary.line, *summary.lines):
        assert set(text) <= INERT
        assert "[" not in text
        assert len(text) < 500


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.sampled_from([b"", b"\x08\x00", b"\x08\x06", b"\x81\x00", b"\x88\xa8"]))
def test_any_octets_are_described(data: bytes, ethertype: bytes) -> None:
    assert_inert(describe(poke(data, 12, ethertype) if ethertype else data))


def test_every_cut_and_many_wrong_octets_are_described() -> None:
    rng = random.Random(7)
    for frame in (
        build_ipv4_udp(REC, RE, 5005, 5006, b"[link=x]hello", vlan=VlanTag(9)),
        build_icmp_echo(REC, RE, 1, 2, b"\x1b]0;title\x07"),
        build_arp_reply(RE, REC),
    ):
        for cut in range(len(frame) + 1):
            assert_inert(describe(frame[:cut]))
        for _ in range(500):
            at = rng.randrange(12, len(frame))
            assert_inert(describe(poke(frame, at, bytes((rng.randrange(256),)))))


# ------------------------------------------------------------------------------------ caller mistakes


def test_caller_mistakes_are_exceptions() -> None:
    for mac in ("", "02:00:00:00:00", "02:00:00:00:00:0g", "2:00:00:00:00:01", "02-00-00-00-00-01"):
        with pytest.raises(SettingsError, match="MAC address"):
            build_ethernet(mac, REC.mac, 0x0800, b"")
    with pytest.raises(SettingsError, match="IPv4 address"):
        build_arp_request(REC, "10.77.0.256")
    with pytest.raises(SettingsError, match="VLAN identifier 4096"):
        build_ethernet(BROADCAST, REC.mac, 0x0800, b"", VlanTag(4096))
    with pytest.raises(SettingsError, match="source port"):
        build_ipv4_udp(REC, RE, 65536, 1, b"")
    with pytest.raises(LayoutError):
        build_ipv4_udp(REC, RE, 1, 1, bytes(65508))
    with pytest.raises(LayoutError):
        build_icmp_echo(REC, RE, 1, 1, bytes(65508))
    assert issubclass(SettingsError, DecodersError)
