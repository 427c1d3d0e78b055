"""What a node sends of what it received."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.frame_structure import controlwords as cw
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.node_receiver import ReceivedHyperframe
from monitor.emulation.node_sender import CmRelay, EndSender, Outgoing, RelaySender
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault

SETTINGS = SenderSettings(option="2", pointer_p=24, hdlc_rate_code=2)


def frame(status: FrameStatus, data: bytes, plane: Plane = Plane.ETHERNET) -> FrameReceived:
    return FrameReceived(0, 0, 0, plane, status, data, zlib.crc32(data).to_bytes(4, "little"))


def content(number: int = 0, *frames: FrameReceived) -> ReceivedHyperframe:
    octets = np.random.default_rng(number).integers(0, 256, (256, 16, 2), np.uint8)
    return ReceivedHyperframe(0, octets, number, 0, True, list(frames))


def octets_of(sender: EndSender, *outgoing: Outgoing) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.concatenate([batch.octets for batch in sender.send(outgoing)])


def test_passes_on_payload_and_makes_sync_timing_and_l1_itself() -> None:
    sender = RelaySender(SETTINGS, 1, uplink=False)
    came = content(3)
    (sent,) = octets_of(sender, Outgoing(17 * 150 + 149, 0x0E, came))
    assert np.array_equal(sent[:, 1:], came.octets[:, 1:])
    for x in range(256):
        same = x % 64 in (4, 5, 6, 7, *range(16, 24))
        assert same == np.array_equal(sent[x, 0], came.octets[x, 0]), x
        if x % 64 in (3, *range(8, 16)):
            assert not sent[x, 0].any()
    assert sent[0, 0, 0] == 0xBC and (sent[64, 0, 0], sent[128, 0, 0], sent[192, 0, 0]) == (149, 17, 0)
    assert (sent[2, 0, 0], sent[66, 0, 0], sent[130, 0, 0], sent[194, 0, 0]) == (1, 2, 0x0E, 24)


def test_nothing_received_is_empty_and_still_framed() -> None:
    (sent,) = octets_of(RelaySender(SETTINGS, 1, uplink=False), Outgoing(0, 0))
    assert not sent[:, 1:].any() and sent[0, 0, 0] == 0xBC
    assert not sent.reshape(4, 64, 16, 2)[:, 4:24, 0].any()


def test_own_vendor_octets() -> None:
    came = content(3)
    sender = RelaySender(SETTINGS, 1, uplink=False, own_vendor=True)
    (sent,) = octets_of(sender, Outgoing(0, 0, came))
    planes = sent.reshape(4, 64, 16, 2)[:, :, 0], came.octets.reshape(4, 64, 16, 2)[:, :, 0]
    assert np.array_equal(planes[0][:, 4:8], planes[1][:, 4:8])
    assert not np.array_equal(planes[0][:, 16:24], planes[1][:, 16:24])
    assert planes[0][:, 16:24].any()


def relayed(relay: CmRelay, *outgoing: Outgoing) -> tuple[dict[str, int], list[tuple[int | None, bytes]]]:
    sender = RelaySender(SETTINGS, 1, uplink=False, relay=relay)
    decoder = LinkDecoder(LinkSettings(form=LineForm.OCTETS))
    octets = octets_of(sender, *outgoing, *(Outgoing(len(outgoing) + i, 0) for i in range(12)))
    events = decoder.receive(octets.reshape(-1))
    frames = [(e.hyperframe, e.data) for e in events if isinstance(e, FrameReceived)]
    return decoder.counters, frames


def test_frames_are_sent_anew_after_they_ended_and_damaged_ones_dropped() -> None:
    good, bad, slow = (bytes([i] * 60) for i in (1, 2, 3))
    first = content(0, frame(FrameStatus.GOOD, good), frame(FrameStatus.FCS, bad))
    third = content(2, frame(FrameStatus.GOOD, slow[:9], Plane.HDLC))
    counters, frames = relayed(CmRelay.FRAMES, Outgoing(0, 0, first), Outgoing(1, 0), Outgoing(2, 0, third))
    assert frames == [
        (1, good),
        (6, slow[:9]),
    ]  # 4 octets a hyperframe: 13 with two flags and FCS from number 3 on
    assert {n for n, v in counters.items() if v} <= {
        "hdlc_frames",
        "ethernet_frames",
        "vendor_changes",
        "ctrl_axc_changes",
    }


def test_octets_of_c_and_m_are_passed_on_as_they_are() -> None:
    came = content(5)
    sender = RelaySender(SETTINGS, 1, uplink=False, relay=CmRelay.OCTETS)
    (sent,) = octets_of(sender, Outgoing(0, 0, came))
    for places in (cw.hdlc_places("2", 2), cw.ethernet_places("2", 24)):
        flat = [octets[:, 0].reshape(-1)[places.flat] for octets in (sent, came.octets)]
        assert len(places) and np.array_equal(*flat)
    with pytest.raises(InputError, match="queues no frames"):
        sender.schedule(parse_fault("hdlc.fcs@3"))


def test_an_end_sends_its_own_traffic_with_the_numbers_it_is_told() -> None:
    sender = EndSender(SETTINGS, 1, load=0.5, every_plane=True)
    sent = octets_of(sender, Outgoing(150, 2), Outgoing(151, 0), Outgoing(999 * 150, 0x18))
    assert sent[:, 64, 0, 0].tolist() == [0, 1, 0] and sent[:, 130, 0, 0].tolist() == [2, 0, 0x18]
    assert [int(o[128, 0, 0]) | int(o[192, 0, 0]) << 8 for o in sent] == [1, 1, 999]
    assert sent[:, :, 1:].any() and sender.sent == []
    assert [sender.timing_of(h) for h in range(5)] == [(1, 0), (1, 1), (999, 0), (999, 1), (999, 2)]
