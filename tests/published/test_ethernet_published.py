"""Fast C&M against what is published: IEEE 802.3 table 24-1, the CRC-32 of clause 3.2.9, other programs."""

from __future__ import annotations

import itertools
import zlib

import dpkt
from crccheck.crc import Crc32

from decoders.cm_plane.code_4b5b import DATA_GROUPS, ERROR_GROUP, INVALID_GROUPS
from decoders.cm_plane.ethernet import EthernetDecoder
from decoders.cm_plane.ethernet_encoder import EthernetDamage, EthernetEncoder
from decoders.events import FrameStatus

# IEEE 802.3 table 24-1, typed from it (from memory): first bit sent leftmost.
TABLE = {
    "0": "11110", "1": "01001", "2": "10100", "3": "10101", "4": "01010", "5": "01011", "6": "01110",
    "7": "01111", "8": "10010", "9": "10011", "A": "10110", "B": "10111", "C": "11010", "D": "11011",
    "E": "11100", "F": "11101",
    "I": "11111", "J": "11000", "K": "10001", "T": "01101", "R": "00111", "H": "00100",
}  # fmt: skip
UNUSED = "00000 00001 00010 00011 00101 00110 01000 01100 10000 11001".split()


def octets_of(names: str) -> bytes:
    """Groups by their names in table 24-1 -> octets, first bit in bit 0; what is left over is idle."""
    out = []
    value = count = 0
    for name in names + "I" * 8:
        for bit in TABLE[name]:
            value |= (bit == "1") << count
            count += 1
            if count == 8:
                out.append(value)
                value = count = 0
    return bytes(out)


def names_of(frame: bytes) -> str:
    """Low nibble first (802.3 clause 22.2.3)."""
    return "".join(f"{octet:02X}"[::-1] for octet in frame)


# ARP request "who has 192.0.2.1, tell 192.0.2.2" (RFC 826, addresses of RFC 5737), padded to 60 octets.
ARP = (
    bytes.fromhex("ffffffffffff 020000000001 0806 0001 0800 06 04 0001")
    + bytes.fromhex("020000000001 c0000202 000000000000 c0000201")
    + bytes(18)
)


def bitwise_crc32(data: bytes) -> int:
    """802.3 clause 3.2.9 by its generator polynomial, bit 0 of each octet first; the register as left."""
    register = 0xFFFFFFFF
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ (0xEDB88320 if register & 1 else 0)
    return register


def test_code_groups_are_those_of_table_24_1() -> None:
    assert [f"{group:05b}" for group in DATA_GROUPS] == [TABLE[f"{n:X}"] for n in range(16)]
    assert f"{ERROR_GROUP:05b}" == TABLE["H"]
    assert [f"{group:05b}" for group in INVALID_GROUPS] == UNUSED


def test_properties_of_the_code() -> None:
    data = [f"{group:05b}" for group in DATA_GROUPS]
    assert len(set(data)) == 16
    assert len(INVALID_GROUPS) == 10
    assert len(set(TABLE.values()) | set(UNUSED)) == 32
    pairs = ["".join(pair) for pair in itertools.product(data, repeat=2)]
    assert not any("0000" in pair for pair in pairs), "at most three zeros in a row"
    assert max(len(run) for pair in pairs for run in pair.split("0")) == 8
    triples = ("".join(triple) for triple in itertools.product(data, repeat=3))
    assert not any("1100010001" in triple for triple in triples), "J K occurs in no data, at any phase"


def test_start_of_stream_preamble_and_sfd_bits() -> None:
    """J K, 13 x 5, D, packed first bit in bit 0: computed from table 24-1."""
    expected = bytes.fromhex("23 6A AD B5 D6 5A 6B AD B5 DE")
    assert octets_of("JK" + "5" * 13 + "D")[:10] == expected
    encoder = EthernetEncoder(min_idle_groups=8)
    encoder.send(ARP)
    assert encoder.take(15)[5:] == expected


def test_whole_frame_written_out_by_hand() -> None:
    fcs = (bitwise_crc32(ARP) ^ 0xFFFFFFFF).to_bytes(4, "little")
    names = "I" * 24 + "JK" + "5" * 13 + "D" + names_of(ARP + fcs) + "TR"
    line = octets_of(names)
    encoder = EthernetEncoder()
    encoder.send(ARP)
    assert encoder.take(len(line)) == line
    (frame,) = EthernetDecoder().receive(line)
    assert (frame.status, frame.data, frame.fcs) == (FrameStatus.GOOD, ARP, fcs)
    assert frame.end_octet == (len(names) * 5 - 1) // 8


def test_crc32_check_value_and_residue() -> None:
    """0xCBF43926 of "123456789": the public CRC catalogue; 0xDEBB20E3: RFC 1662 app. C and 802.3."""
    assert bitwise_crc32(b"123456789") ^ 0xFFFFFFFF == 0xCBF43926
    encoder = EthernetEncoder()
    encoder.send(b"123456789", EthernetDamage(short=True))
    encoder.take(encoder.pending_octets)
    (sent,) = encoder.sent()
    assert sent.fcs == bytes.fromhex("2639f4cb")
    assert bitwise_crc32(sent.data + sent.fcs) == 0xDEBB20E3
    (frame,) = EthernetDecoder(min_octets=4).receive(
        octets_of("IIJK" + "5" * 13 + "D" + names_of(b"123456789\x26\x39\xf4\xcb") + "TR")
    )
    assert (frame.status, frame.data) == (FrameStatus.GOOD, b"123456789")


def test_fcs_agrees_with_crccheck() -> None:
    encoder = EthernetEncoder()
    for n in range(40):
        encoder.send(bytes((n * k) & 0xFF for k in range(60 + 11 * n)))
    encoder.take(encoder.pending_octets)
    for sent in encoder.sent():
        assert Crc32.calc(sent.data).to_bytes(4, "little") == sent.fcs
        assert zlib.crc32(sent.data) == Crc32.calc(sent.data)


def test_recovered_frame_is_read_by_dpkt() -> None:
    encoder = EthernetEncoder()
    encoder.send(ARP)
    (frame,) = EthernetDecoder().receive(encoder.take(encoder.pending_octets))
    ethernet = dpkt.ethernet.Ethernet(frame.data)
    assert (ethernet.dst, ethernet.src, ethernet.type) == (b"\xff" * 6, b"\x02\0\0\0\0\x01", 0x0806)
    assert (ethernet.data.op, ethernet.data.tpa) == (dpkt.arp.ARP_OP_REQUEST, bytes([192, 0, 2, 1]))
