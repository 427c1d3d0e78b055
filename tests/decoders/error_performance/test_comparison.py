"""Differences of hyperframes by the plane that owns the octet (CPRI clause 4.2.7.2)."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.error_performance.comparison import COMPARED_PLANES, Comparison, plane_map, ratio_bound
from decoders.events import Plane
from decoders.linerates import OPTIONS, option_named
from tests.support.link_streams import hyperframes


@pytest.mark.parametrize(
    ("place", "plane"),
    [
        ((64, 0, 0), Plane.SYNC),
        ((130, 0, 0), Plane.L1),
        ((1, 0, 3), Plane.HDLC),
        ((45, 0, 15), Plane.ETHERNET),
        ((20, 0, 2), Plane.VENDOR),
        ((5, 0, 0), Plane.CTRL_AXC),
        ((3, 0, 1), Plane.RESERVED),
        ((45, 3, 1), Plane.IQ),
        ((45, 0, 16), Plane.VENDOR),  # beyond the classic control channel: real-time vendor specific
        ((3, 0, 19), Plane.VENDOR),
    ],
)
def test_a_difference_belongs_to_the_plane_of_its_octet(place: tuple[int, int, int], plane: Plane) -> None:
    made = hyperframes("8", 3)
    received = made.octets.copy()
    received[(1, *place)] ^= 0x81
    comparison = Comparison(option_named("8"))
    comparison.compare(np.array([10, 11, 12]), made.octets, received)
    assert {p for p, found in comparison.planes.items() if found.octets} == {plane}
    found = comparison.planes[plane]
    assert (found.octets, found.bits, found.hyperframes) == (1, 2, 1)
    (difference,) = found.first
    assert (difference.bfn, difference.hfn, difference.x, difference.w, difference.y) == (0, 11, *place)
    assert difference.bits == 2
    assert (comparison.differing_octets, comparison.differing_bits, comparison.differing_hyperframes) == (
        1,
        2,
        1,
    )


@pytest.mark.parametrize("option", OPTIONS)
def test_every_octet_has_one_plane(option: str) -> None:
    table = plane_map(option_named(option), 40, 2)
    assert len(table) == OPTIONS[option].hyperframe_octets
    assert table.max() < len(COMPARED_PLANES)
    iq = np.count_nonzero(table == COMPARED_PLANES.index(Plane.IQ))
    assert iq == OPTIONS[option].hyperframe_octets * 15 // 16


def test_the_bound_without_an_error_is_the_known_one() -> None:
    """ITU-T O.150 and common practice: 3 / n at 95 %, exactly -ln(0.05) / n for many bits."""
    assert ratio_bound(10**9, 0) == pytest.approx(2.9957e-9, rel=1e-3)
