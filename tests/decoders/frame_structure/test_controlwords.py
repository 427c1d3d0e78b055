"""Who owns which control word: CPRI V7.0 clause 4.2.7.2 to 4.2.7.7, X = Ns + 64 Xs."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from decoders.errors import SettingsError
from decoders.events import Plane
from decoders.frame_structure.controlwords import (
    check_pointer,
    ethernet_places,
    hdlc_places,
    l1_fields,
    pointer_is_valid,
    reserved_places,
    subchannel_name,
    subchannel_owners,
    subchannel_places,
    vendor_places,
)
from decoders.linerates import OPTIONS, option_named


def test_map_with_pointer_20() -> None:
    owners = subchannel_owners(20)
    assert len(owners) == 64
    assert owners[:4] == (Plane.SYNC, Plane.HDLC, Plane.L1, Plane.RESERVED)
    assert set(owners[4:8]) == {Plane.CTRL_AXC}
    assert set(owners[8:16]) == {Plane.RESERVED}
    assert set(owners[16:20]) == {Plane.VENDOR}
    assert set(owners[20:]) == {Plane.ETHERNET}


@pytest.mark.parametrize(("pointer", "vendor"), [(0, 48), (20, 4), (21, 5), (63, 47), (1, 48), (19, 48)])
def test_pointer_parts_vendor_from_ethernet(pointer: int, vendor: int) -> None:
    count = Counter(subchannel_owners(pointer))
    assert count[Plane.VENDOR] == vendor
    assert count[Plane.ETHERNET] == 48 - vendor


def test_before_version_4_there_is_no_ctrl_axc() -> None:
    assert Plane.CTRL_AXC not in subchannel_owners(20, ctrl_axc=False)
    assert len(reserved_places("2", 3, ctrl_axc=False)) == len(reserved_places("2", 3)) + 4 * 4 * 2


@pytest.mark.parametrize("pointer", range(64))
def test_which_pointers_may_be_sent(pointer: int) -> None:
    allowed = pointer == 0 or pointer >= 20
    assert pointer_is_valid(pointer) is allowed
    if allowed:
        check_pointer(pointer)
    else:
        with pytest.raises(SettingsError, match=str(pointer)):
            check_pointer(pointer)


def test_pointers_of_more_than_six_bits() -> None:
    assert not pointer_is_valid(64)


@pytest.mark.parametrize("option", OPTIONS)
@pytest.mark.parametrize(("pointer", "rate"), [(0, 0), (20, 1), (37, 2), (63, 2)])
def test_every_control_octet_has_one_owner(option: str, pointer: int, rate: int) -> None:
    """The planes share out all octets Y < 16 but those of sync, timing and L1."""
    line = option_named(option)
    owned: Counter[tuple[int, ...]] = Counter()
    for places in (
        hdlc_places(option, rate),
        subchannel_places(option, 4, 8),
        vendor_places(option, pointer),
        ethernet_places(option, pointer),
        reserved_places(option, rate),
    ):
        owned.update(tuple(t) for t in places.triples.tolist())
    assert set(owned.values()) == {1}
    limit = line.control_octets
    everything = {(ns, xs, y) for ns in range(64) for xs in range(4) for y in range(limit)}
    timing = {(ns, xs, 0) for ns in (0, 2) for xs in range(4)} | {(0, 0, y) for y in range(limit)}
    assert set(owned) == everything - timing


@pytest.mark.parametrize("option", ["1", "2", "4", "7", "8"])
def test_places_are_in_time_order_and_flat_is_their_index(option: str) -> None:
    line = option_named(option)
    for places in (vendor_places(option, 40), ethernet_places(option, 40), hdlc_places(option, 2)):
        assert np.all(np.diff(places.flat) > 0)
        for flat, (ns, xs, y) in zip(places.flat.tolist(), places.triples.tolist(), strict=True):
            assert flat == (ns + 64 * xs) * line.word_octets + y


def test_hdlc_octets_at_each_rate() -> None:
    """Table 11; the pair of 240 kbit/s from memory."""
    assert hdlc_places("4", 0).triples.tolist() == []
    assert hdlc_places("4", 1).triples.tolist() == [[1, 0, 0], [1, 2, 0]]
    assert hdlc_places("4", 2).triples.tolist() == [[1, xs, 0] for xs in range(4)]
    assert hdlc_places("4", 3).triples.tolist() == [[1, xs, y] for xs in range(4) for y in range(2)]
    assert hdlc_places("4", 5).triples.tolist() == [[1, xs, y] for xs in range(4) for y in range(5)]
    assert len(hdlc_places("4", 6)) == 0
    assert len(hdlc_places("1", 3)) == 0


def test_ethernet_octets_go_by_x_then_y() -> None:
    """Z.63.0, Z.63.1, Z.127.0 ... with p = 63 at option 2."""
    assert ethernet_places("2", 63).triples.tolist() == [[63, xs, y] for xs in range(4) for y in range(2)]
    first = ethernet_places("1", 62).triples.tolist()
    assert first == [[ns, xs, 0] for xs in range(4) for ns in (62, 63)]


def test_l1_fields_lose_their_reserved_bits() -> None:
    control = np.zeros((2, 256, 2), np.uint8)
    control[0, [2, 66, 130, 194], 0] = 0xFF
    fields = l1_fields(control)
    assert fields.version.tolist() == [0xFF, 0]
    assert fields.rate.tolist() == [0x07, 0]
    assert fields.alarms.tolist() == [0x1F, 0]
    assert fields.pointer.tolist() == [0x3F, 0]


def test_names_for_people() -> None:
    assert subchannel_name(0, 40) == "sync and timing"
    assert subchannel_name(1, 40) == "slow C&M (HDLC)"
    assert subchannel_name(16, 40) == "vendor specific"
    assert subchannel_name(40, 40) == "fast C&M (Ethernet)"
    assert subchannel_name(40, 0) == "vendor specific"
    assert subchannel_name(4, 0) == "Ctrl_AxC"
    assert subchannel_name(9, 0) == "reserved"
