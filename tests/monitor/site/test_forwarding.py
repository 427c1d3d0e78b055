"""Octets of two points against each other, plane by plane."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.arrays import I64, U8
from decoders.events import Plane
from decoders.linerates import option_named
from monitor.links.damage import Forwarding
from monitor.site.forwarding import PairComparison

OPTION = option_named("1")
COUNT = 64


@pytest.fixture
def sent() -> U8:
    """Hyperframes of option 1, p = 40, HDLC rate code 1, all planes moving."""
    octets = np.random.default_rng(3).integers(1, 256, (COUNT, 256, 16, 1)).astype(np.uint8)
    octets[:, 194, 0, 0], octets[:, 66, 0, 0] = 40, 1
    octets[:, [3 + 64 * xs for xs in range(4)], 0] = 0
    for ns in range(8, 16):
        octets[:, [ns + 64 * xs for xs in range(4)], 0] = 0
    octets[:, [1, 65, 129, 193, 64, 128, 192], 0, 0] = 7
    return octets


def times(count: int = COUNT) -> I64:
    return np.arange(count, dtype=np.int64)


def test_one_octet_of_each_plane_is_told_with_its_place(sent: U8) -> None:
    received = sent.copy()
    received[40, 100, 5, 0] ^= 0x11
    received[41, 20, 0, 0] ^= 1
    received[42, 5, 0, 0] ^= 1
    received[43, 9, 0, 0] ^= 2
    found = PairComparison(OPTION).compare(times(), sent, received)
    assert [(one.time, one.plane, one.octets, one.bits) for one in found] == [
        (40, Plane.IQ, 1, 2),
        (41, Plane.VENDOR, 1, 1),
        (42, Plane.CTRL_AXC, 1, 1),
        (43, Plane.RESERVED, 1, 1),
    ]
    index, old, new = found[0].places[0]
    assert index == 100 * 16 + 5 and new == old ^ 0x11


def test_sync_numbers_and_l1_belong_to_each_segment(sent: U8) -> None:
    received = sent.copy()
    received[:, [0, 64, 128, 192, 2, 130], 0] ^= 3
    assert PairComparison(OPTION).compare(times(), sent, received) == []


def test_what_the_node_changes_all_the_time_is_told_once(sent: U8) -> None:
    received = sent.copy()
    received[:, 17, 0, 0] ^= 0x80
    received[:, :, 7, 0] ^= 0x80
    received[50, 18, 0, 0] ^= 1
    pair = PairComparison(OPTION)
    found = pair.compare(times(), sent, received)
    assert [(one.time, one.plane) for one in found] == [(50, Plane.VENDOR)]
    planes = pair.planes()
    assert (planes[Plane.VENDOR].forwarding, planes[Plane.VENDOR].own) == (Forwarding.CHANGED, 1)
    assert (planes[Plane.IQ].forwarding, planes[Plane.IQ].own) == (Forwarding.CHANGED, 256)


def test_damage_that_begins_soon_is_no_habit_of_the_node(sent: U8) -> None:
    received = sent.copy()
    received[20:, 17, 0, 0] ^= 0x80
    found = PairComparison(OPTION).compare(times(), sent, received)
    assert [one.time for one in found] == list(range(20, COUNT))


def test_reserved_octets_are_sent_as_0_whatever_came(sent: U8) -> None:
    came = sent.copy()
    came[:, 9, 0, 0] = 0x5A
    goes = sent.copy()
    goes[45, 9, 0, 0] = 1
    pair = PairComparison(OPTION)
    found = pair.compare(times(), came, goes)
    assert [(one.time, one.places) for one in found] == [(45, ((9 * 16, 0, 1),))]


def test_channels_of_frames_that_are_sent_anew_are_not_compared(sent: U8) -> None:
    received = sent.copy()
    received[1:, 40:64, 0] = sent[:-1, 40:64, 0]
    pair = PairComparison(OPTION)
    assert pair.compare(times(), sent, received) == []
    assert pair.planes()[Plane.ETHERNET].forwarding is Forwarding.RELAYED
    assert pair.planes()[Plane.HDLC].forwarding is Forwarding.UNKNOWN  # nothing moves in it


def test_channels_that_are_passed_on_as_they_are_are_compared(sent: U8) -> None:
    received = sent.copy()
    received[30, 44, 0, 0] ^= 4
    pair = PairComparison(OPTION)
    found = pair.compare(times(), sent, received)
    assert [(one.time, one.plane) for one in found] == [(30, Plane.ETHERNET)]
    assert pair.planes()[Plane.ETHERNET].forwarding is Forwarding.IDENTICAL


@pytest.mark.parametrize("step", [7, COUNT])
def test_iq_data_that_stand_later_are_compared_where_they_stand(sent: U8, step: int) -> None:
    shift = 20
    frames = sent.reshape(-1, 16, 1)
    late = frames.copy()
    late[shift:, 1:] = frames[:-shift, 1:]
    received = late.reshape(sent.shape)
    received[45, 200, 3, 0] ^= 1
    pair = PairComparison(OPTION, shift)
    found = []
    for start in range(0, COUNT, step):
        piece = slice(start, start + step)
        found += pair.compare(times()[piece], sent[piece], received[piece])
    assert [(one.time, one.plane, one.octets) for one in found] == [(45, Plane.IQ, 1)]
    assert pair.hyperframes == COUNT - 1  # of the first one not all IQ data are there


def test_octets_of_another_plane_at_the_second_point_are_not_compared(sent: U8) -> None:
    received = sent.copy()
    received[:, 194, 0, 0] = 30  # subchannels 30 to 39 are fast C&M there, and vendor specific here
    received[:, 30:40, 0] ^= 0xFF
    assert PairComparison(OPTION).compare(times(), sent, received) == []
