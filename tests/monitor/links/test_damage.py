"""What a located damage says of itself."""

from __future__ import annotations

from decoders.events import Plane
from monitor.links.damage import ChainDamage, ChangedOctet, Point
from monitor.sources.names import Segment

ONE, TWO = Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2")


def damage(*segments: Segment, reason: str = "") -> ChainDamage:
    return ChainDamage(Plane.IQ, segments, Point(TWO), "", 1, 1, 1, (), reason=reason)


def test_a_damage_is_distinguished_where_one_segment_is_named_for_sure() -> None:
    assert damage(TWO).distinguished
    assert not damage(ONE, TWO, reason="no point between").distinguished
    assert not damage(TWO, reason="again and again").distinguished


def test_names_and_addresses_are_those_of_the_site_and_the_standard() -> None:
    assert Point(ONE).name == "REC-A>RE-1"
    assert Point(ONE, sent=True).name == "sent:REC-A>RE-1"
    assert ChangedOctet(3, 42, 100, 5, 0, 1, 2).address == "#42.100.5.0"
