"""What a slow C&M sender puts on the line, bit by bit (ISO/IEC 13239)."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.cm_plane.hdlc import HdlcDecoder, fcs16
from decoders.cm_plane.hdlc_encoder import FlagJoin, HdlcDamage, HdlcEncoder, HdlcFill
from decoders.errors import SettingsError
from decoders.events import FrameStatus


def bits(octets: bytes) -> str:
    return "".join(str(bit) for bit in np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little"))


def test_a_frame_is_flag_octets_with_stuffed_zeros_fcs_flag() -> None:
    encoder = HdlcEncoder()
    encoder.send(b"\xff\x03")
    line = bits(encoder.take(12))
    body = bits(b"\xff\x03" + fcs16(b"\xff\x03").to_bytes(2, "little"))
    assert line.startswith("01111110" + body.replace("11111", "111110") + "01111110")


@pytest.mark.parametrize(("fill", "line"), [(HdlcFill.FLAGS, "01111110" * 4), (HdlcFill.ONES, "1" * 32)])
def test_fill_between_frames(fill: HdlcFill, line: str) -> None:
    assert bits(HdlcEncoder(fill=fill).take(4)) == line


@pytest.mark.parametrize(("join", "between"), [
    (FlagJoin.SEPARATE, "0111111001111110"),
    (FlagJoin.SHARED, "01111110"),
    (FlagJoin.SHARED_ZERO, "011111101111110"),
])  # fmt: skip
def test_flags_between_frames(join: FlagJoin, between: str) -> None:
    encoder = HdlcEncoder()
    encoder.send(b"ab", join=join)
    encoder.send(b"cd")
    coded = [bits(d + fcs16(d).to_bytes(2, "little")).replace("11111", "111110") for d in (b"ab", b"cd")]
    assert coded[0] + between + coded[1] in bits(encoder.take(20))


@pytest.mark.parametrize(
    ("damage", "status"),
    [
        (HdlcDamage(), FrameStatus.GOOD),
        (HdlcDamage(fcs_xor=0x0100), FrameStatus.FCS),
        (HdlcDamage(abort_after_octets=3), FrameStatus.ABORT),
        (HdlcDamage(drop_bits=3), FrameStatus.UNALIGNED),
    ],
)
def test_what_is_sent_is_what_a_receiver_makes_of_it(damage: HdlcDamage, status: FrameStatus) -> None:
    encoder = HdlcEncoder()
    encoder.send(b"Saltmarsh", damage=damage)
    (frame,) = HdlcDecoder().receive(encoder.take(24))
    (sent,) = encoder.sent()
    assert frame.status is sent.status is status
    assert (frame.data, frame.fcs, frame.end_octet) == (sent.data, sent.fcs, sent.end_octet)


def test_one_damage_at_a_time() -> None:
    with pytest.raises(SettingsError, match="one damage"):
        HdlcDamage(fcs_xor=1, drop_bits=1)
