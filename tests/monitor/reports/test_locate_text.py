"""LocateOutcome damages as text."""

from __future__ import annotations

from dataclasses import replace

from monitor.reports.locate_text import damage_line, locate_lines
from tests.support.chain_locating import located_octets, sent_hyperframes

SENT = sent_hyperframes(200)
DAMAGED = SENT.copy()
DAMAGED[120, 84, 0, 0] ^= 1
RESULT = located_octets({"REC-A>RE-1": SENT, "RE-1>RE-2": DAMAGED, "RE-2>RE-3": DAMAGED})


def test_the_first_line_is_the_verdict_with_the_segment() -> None:
    assert locate_lines(RESULT)[0] == "damage: 1 damage, entered on RE-1>RE-2"


def test_a_damage_tells_where_when_what_and_the_clean_points() -> None:
    text = "\n".join(locate_lines(RESULT))
    assert damage_line(RESULT.damages[0]) == "RE-1>RE-2: 0.120: vendor octets 1"
    old, new = int(SENT[120, 84, 0, 0]), int(DAMAGED[120, 84, 0, 0])
    assert f"vendor: 0.120 #120.84.0.0 0x{old:02X} to 0x{new:02X}" in text
    assert "last clean point REC-A>RE-1; first point that shows it RE-1>RE-2;" in text


def test_a_clean_chain_and_one_that_cannot_be_compared_read_otherwise() -> None:
    clean = located_octets({"REC-A>RE-1": SENT, "RE-1>RE-2": SENT})
    assert locate_lines(clean)[0] == "clean: no damage at any point"
    apart = located_octets({"REC-A>RE-1": SENT[:70], "RE-1>RE-2": SENT[100:]})
    assert locate_lines(apart)[0].startswith("incomplete: no damage was found")


def test_names_of_sources_are_inert() -> None:
    hostile = replace(RESULT, points=(replace(RESULT.points[0], source="x\x1b[2J"),))
    assert "\x1b" not in "\n".join(locate_lines(hostile))


def test_many_damages_are_counted_and_not_all_printed() -> None:
    many = replace(RESULT, damages=RESULT.damages * 70, more=5)
    lines = locate_lines(many)
    assert lines[0].startswith("damage: 75 damages")
    assert any("and 25 more damages" in line for line in lines)
