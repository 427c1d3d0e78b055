"""Control octets of three planes against the hyperframe before."""

from __future__ import annotations

import numpy as np

from decoders.arrays import U8
from decoders.events import Event, OctetsChanged, Plane
from decoders.linerates import option_named
from decoders.link.octet_watch import OctetWatch

COUNTERS = ("vendor_changes", "ctrl_axc_changes", "reserved_changes")


def words(n: int) -> U8:
    """Control words of option 2, all 0."""
    return np.zeros((n, 256, 2), np.uint8)


def watched(*batches: U8, pointer_p: int = 20, ctrl_axc: bool = True) -> tuple[list[Event], list[int]]:
    counters = dict.fromkeys(COUNTERS, 0)
    watch = OctetWatch(option_named("2"), counters, ctrl_axc=ctrl_axc)
    events: list[Event] = []
    first = 0
    for batch in batches:
        events += watch.receive(batch, pointer_p, 3, first)
        first += len(batch)
    return events, list(counters.values())


def test_a_change_has_its_plane_and_place() -> None:
    """X = Ns + 64 Xs (CPRI clause 4.2.7.2): Ns 17 is vendor specific, 4 Ctrl_AxC, 3 reserved."""
    control = words(4)
    control[2, 17 + 64, 1] = 9
    control[2, 4, 0] = 1
    control[2, 3 + 192, 0] = 2
    events, counters = watched(control)
    assert counters == [2, 2, 2]  # there and back
    assert events[:2] == [
        OctetsChanged(2, Plane.VENDOR, bytes([17, 1, 1]), b"\0", b"\x09"),
        OctetsChanged(3, Plane.VENDOR, bytes([17, 1, 1]), b"\x09", b"\0"),
    ]
    assert events[2] == OctetsChanged(2, Plane.CTRL_AXC, bytes([4, 0, 0]), b"\0", b"\x01")
    assert events[4] == OctetsChanged(2, Plane.RESERVED, bytes([3, 3, 0]), b"\0", b"\x02")


def test_batches_are_compared_with_one_another() -> None:
    control = words(2)
    control[1, 16, 0] = 1
    assert watched(control[:1], control[1:])[1] == [1, 0, 0]


def test_fast_cm_is_not_vendor_specific() -> None:
    control = words(2)
    control[1, 30, 0] = 1
    assert watched(control, pointer_p=31)[1] == [1, 0, 0]
    assert watched(control, pointer_p=30)[1] == [0, 0, 0]


def test_before_version_4_ctrl_axc_is_reserved() -> None:
    control = words(2)
    control[1, 5, 0] = 1
    assert watched(control, ctrl_axc=False)[1] == [0, 0, 1]


def test_nothing_is_compared_across_a_loss_of_sync() -> None:
    counters = dict.fromkeys(COUNTERS, 0)
    watch = OctetWatch(option_named("2"), counters)
    other = words(1)
    other[0, 16, 0] = 1
    assert list(watch.receive(words(1), 20, 3, 0)) == []
    watch.restart()
    assert list(watch.receive(other, 20, 3, 1)) == []
