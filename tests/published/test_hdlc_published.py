"""HDLC against sources outside the project.

- CRC-16/X-25 of "123456789" is 0x906E: the public catalogue of CRC algorithms (the FCS of ISO/IEC 13239).
- The register over a frame and its FCS is 0xF0B8: RFC 1662 app. C ("good final FCS value").
- The table of RFC 1662 app. C.2, first row, from memory.
- crccheck (PyPI): an implementation of the same algorithm by other hands.
- The coded octets were computed by hand from the rules of ISO/IEC 13239, not by this project's encoder.
"""

from __future__ import annotations

import numpy as np
import pytest
from crccheck.crc import CrcX25  # type: ignore[import-untyped]

from decoders.cm_plane.hdlc import FCS16_GOOD, HdlcDecoder, HdlcFrame, fcs16, fcs16_register
from decoders.cm_plane.hdlc_encoder import HdlcEncoder
from decoders.events import FrameStatus

HAND_FRAME = bytes.fromhex("FF 03 41")
HAND_FCS = 0x79DA
HAND_STUFFED = "111110111110000000100000100101101110011110"
HAND_CODED = bytes.fromhex("7E DF 07 04 69 E7 F9 F9")
"""Flag, the 42 stuffed bits, closing flag and the first six bits of a further one, bit 0 first in time."""


def test_check_value_of_the_catalogue() -> None:
    assert fcs16(b"123456789") == 0x906E


def test_good_register_of_rfc_1662() -> None:
    assert FCS16_GOOD == 0xF0B8
    for data in (b"", b"123456789", HAND_FRAME, bytes(300)):
        assert fcs16_register(data + fcs16(data).to_bytes(2, "little")) == 0xF0B8


@pytest.mark.parametrize(
    ("octet", "entry"), list(enumerate([0x0000, 0x1189, 0x2312, 0x329B, 0x4624, 0x57AD, 0x6536, 0x74BF]))
)
def test_table_of_rfc_1662(octet: int, entry: int) -> None:
    # fcstab[i] is what one octet does to a zero register; the preset 0xFFFF is undone by the octet itself.
    assert fcs16_register(bytes([0xFF ^ octet])) == 0x00FF ^ entry


def test_agrees_with_crccheck() -> None:
    random = np.random.default_rng(13239)
    for length in [*range(40), 64, 1500, 2048]:
        data = random.integers(0, 256, length, np.uint8).tobytes()
        assert fcs16(data) == CrcX25.calc(data)


def test_hand_coded_octets_decode() -> None:
    assert HdlcDecoder().receive(HAND_CODED) == [
        HdlcFrame(FrameStatus.GOOD, HAND_FRAME, HAND_FCS.to_bytes(2, "little"), 7)
    ]
    assert fcs16(HAND_FRAME) == HAND_FCS


def test_hand_coded_octets_one_bit_wrong_do_not() -> None:
    for place in range(8, 50):
        octets = bytearray(HAND_CODED)
        octets[place // 8] ^= 1 << place % 8
        assert all(frame.status is not FrameStatus.GOOD for frame in HdlcDecoder().receive(bytes(octets)))


def test_encoder_gives_the_hand_coded_octets() -> None:
    encoder = HdlcEncoder()
    encoder.send(HAND_FRAME)
    coded = encoder.take(8)
    assert coded == HAND_CODED
    bits = "".join(f"{octet:08b}"[::-1] for octet in coded)
    assert bits == "01111110" + HAND_STUFFED + "01111110" + "011111"


def test_hand_coded_octets_other_bit_order() -> None:
    turned = bytes(int(f"{octet:08b}"[::-1], 2) for octet in HAND_CODED)
    assert [frame.data for frame in HdlcDecoder(lsb_first=False).receive(turned)] == [HAND_FRAME]
