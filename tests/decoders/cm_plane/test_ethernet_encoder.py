"""What a fast C&M sender puts on the line, code group by code group (IEEE 802.3 clauses 3 and 24.2)."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from decoders.cm_plane.ethernet import EthernetDecoder
from decoders.cm_plane.ethernet_encoder import EthernetDamage, EthernetEncoder
from decoders.errors import SettingsError
from decoders.events import FrameStatus

# 802.3 table 24-1, first bit of a group first
DATA = (
    "11110 01001 10100 10101 01010 01011 01110 01111 10010 10011 10110 10111 11010 11011 11100 11101".split()
)
J, K, T, R = "11000", "10001", "01101", "00111"
BODY = bytes(range(60))


def line(encoder: EthernetEncoder, octets: int) -> str:
    data = np.frombuffer(encoder.take(octets), np.uint8)
    return "".join(str(bit) for bit in np.unpackbits(data, bitorder="little"))


def groups(octets: bytes) -> str:
    return "".join(DATA[octet & 15] + DATA[octet >> 4] for octet in octets)


def test_a_frame_is_j_k_preamble_sfd_octets_fcs_t_r() -> None:
    encoder = EthernetEncoder()
    encoder.send(BODY)
    fcs = zlib.crc32(BODY).to_bytes(4, "little")
    # J K stand for the first octet of the preamble.
    frame = J + K + DATA[5] * 13 + DATA[0xD] + groups(BODY + fcs) + T + R
    sent = line(encoder, 120)
    assert frame in sent
    assert set(sent[: sent.index(frame)]) == {"1"}


def test_nothing_to_send_is_idle() -> None:
    assert set(line(EthernetEncoder(), 10)) == {"1"}


@pytest.mark.parametrize(
    ("damage", "status"),
    [
        (EthernetDamage(), FrameStatus.GOOD),
        (EthernetDamage(fcs_xor=1), FrameStatus.FCS),
        (EthernetDamage(bad_group_at=20), FrameStatus.CODE),
        (EthernetDamage(extra_nibble=3), FrameStatus.DELIMITER),
        (EthernetDamage(omit_esd_t=True), FrameStatus.CODE),
        (EthernetDamage(sfd=1), FrameStatus.DELIMITER),
    ],
)
def test_what_is_sent_is_what_a_receiver_makes_of_it(damage: EthernetDamage, status: FrameStatus) -> None:
    encoder = EthernetEncoder()
    encoder.send(BODY, damage)
    (frame, *_) = EthernetDecoder().receive(np.frombuffer(encoder.take(140), np.uint8))
    (sent,) = encoder.sent()
    assert frame.status is sent.status
    assert frame.end_octet == sent.end_octet
    if not damage.omits_esd:
        assert frame.status is status


def test_short_frames_are_padded_unless_they_are_to_be_short() -> None:
    for damage, octets in ((None, 60), (EthernetDamage(short=True), 20)):
        encoder = EthernetEncoder()
        encoder.send(bytes(20), damage)
        encoder.take(140)
        (sent,) = encoder.sent()
        assert len(sent.data) == octets


def test_an_ssd_left_out_goes_with_nothing_else() -> None:
    with pytest.raises(SettingsError, match="without its SSD"):
        EthernetDamage(omit_ssd_j=True, idle_at=3)
