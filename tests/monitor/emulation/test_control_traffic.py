"""Traffic in vendor specific, Ctrl_AxC and reserved words: only there, only with BFN, the same in any batches."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.events import Plane
from decoders.frame_structure.controlwords import subchannel_owners
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.control_traffic import ControlWordTraffic
from monitor.emulation.sender import EmulatedSender

CHANGES = ("vendor_changes", "ctrl_axc_changes", "reserved_changes")


def _decoded(*, every_plane: bool, hyperframes: int = 3100) -> dict[str, int]:
    sender = EmulatedSender(
        SenderSettings(option="1", hdlc_rate_code=2), 3, load=0.1, every_plane=every_plane
    )
    decoder = LinkDecoder(LinkSettings(option="1", form=LineForm.OCTETS))
    for first in range(0, hyperframes, 400):
        for batch in sender.batch(min(400, hyperframes - first)):
            decoder.receive(batch.octets.tobytes())
    return dict(decoder.counters)


def test_every_plane_has_traffic_where_it_is_asked_for_and_nothing_else_moves() -> None:
    plain, lively = _decoded(every_plane=False), _decoded(every_plane=True)
    assert [plain[name] > 0 for name in CHANGES] == [True, False, False]
    assert [lively[name] > 0 for name in CHANGES] == [True, True, False]
    assert {n: v for n, v in plain.items() if n not in CHANGES} == {
        n: v for n, v in lively.items() if n not in CHANGES
    }


@pytest.mark.parametrize("pointer_p", [0, 20, 40, 63])
def test_words_of_other_planes_are_left_alone(pointer_p: int) -> None:
    octets = np.full((2, 256, 16, 4), 0xEE, np.uint8)
    ControlWordTraffic(1, pointer_p).fill(octets, 0)
    owners = subchannel_owners(pointer_p)
    written = {owners[x % 64] for x in np.flatnonzero((octets[:, :, 0] != 0xEE).any(axis=(0, 2)))}
    assert written == {Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED}
    assert (octets[:, :, 1:] == 0xEE).all() and (octets[:, :, 0, 1:] == 0xEE).all()


def test_any_batches_give_the_same_and_octets_change_only_where_a_frame_begins() -> None:
    traffic = ControlWordTraffic(1, 40)
    whole = np.zeros((3000, 256, 16, 1), np.uint8)
    traffic.fill(whole, 140)
    parts = np.zeros_like(whole)
    for first, end in ((0, 1), (1, 700), (700, 3000)):
        traffic.fill(parts[first:end], 140 + first)
    assert np.array_equal(whole, parts)
    changed = np.flatnonzero((whole[1:] != whole[:-1]).any(axis=(1, 2, 3))) + 1
    assert len(changed) and not ((changed + 140) % 150).any()


def test_no_frame_brings_more_changes_than_any_two_others() -> None:
    """What the live judge takes for the link's own traffic: the changes of two frames before the fault."""
    traffic = ControlWordTraffic(1, 40)
    frames = np.zeros((600, 256, 16, 1), np.uint8)
    for number in range(len(frames)):
        traffic.fill(frames[number : number + 1], 150 * number)
    control = frames[:, :, 0, 0].reshape(600, 4, 64)
    differ = control[1:] != control[:-1]
    for columns in (slice(16, 40), slice(4, 8)):
        changes = differ[:, :, columns].sum(axis=(1, 2))
        assert changes.max() <= (changes[1:] + changes[:-1]).min()
    assert not differ[:, :, [3, *range(8, 16)]].any()


@pytest.mark.parametrize("option", ["1", "2", "5"])
def test_iq_octets_that_are_kept_are_those_of_the_tones_at_any_time(option: str) -> None:
    iq = EmulatedSender(SenderSettings(option=option, hdlc_rate_code=2), 4)._iq
    for first in (0, 5, 10**6 + 1, 10**8 + 2):
        samples = {
            name: tone.samples(first * 1024, 4 * 1024).astype(np.int16)
            for name, tone in zip(iq._names, iq._tones, strict=True)
        }
        assert np.array_equal(iq.map.pack(samples).reshape(4, -1), iq.octets(first, 4))
