"""Signs gathered by stop, kind and time."""

from __future__ import annotations

from decoders.events import Plane
from monitor.site import clusters as c


def test_signs_of_about_one_time_are_one_cluster() -> None:
    found = c.Clusters()
    for time in (10, 11, 19, 40):
        found.cluster(1, 0, c.Group.OCTETS, Plane.IQ, c.SignTime(time, time)).add(Plane.IQ, "octets", 2, "")
    one, two = found.all()
    assert (one.first, one.last, one.times) == (10, 19, 3)
    assert (two.first, two.last) == (40, 40)
    assert one.told()[0].count == 6


def test_stops_and_planes_do_not_mix() -> None:
    found = c.Clusters()
    found.cluster(1, 0, c.Group.OCTETS, Plane.IQ, c.SignTime(5, 5))
    found.cluster(2, 1, c.Group.OCTETS, Plane.IQ, c.SignTime(5, 5))
    found.cluster(1, 0, c.Group.OCTETS, Plane.VENDOR, c.SignTime(5, 5))
    assert len(found.all()) == 3


def test_memory_is_bounded_and_what_is_not_kept_is_counted() -> None:
    found = c.Clusters()
    for i in range(c.MOST_CLUSTERS + 11):
        found.cluster(1, None, c.Group.LINE, Plane.LINE, c.SignTime(20 * i, 20 * i))
    assert len(found.closed) == c.MOST_CLUSTERS
    assert found.more == 10
