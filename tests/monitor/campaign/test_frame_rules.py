"""Rules of line and sync: both sides of each boundary are among their cases."""

from __future__ import annotations

from decoders.line_coding.characters import LineForm
from monitor.campaign.frame_rules import LINE_RULES, RULES_OF_K28_5, SYNC_RULES
from monitor.campaign.rule import FLAGS, LINE_BITS, LINE_CODE

NAMES = {case.name for rule in (*LINE_RULES, *SYNC_RULES) for case in rule.cases}


def test_one_under_and_one_over_the_threshold_of_los() -> None:
    """CPRI clause 4.2.10: 16 code errors of either kind in one hyperframe."""
    for kind in ("line.violation", "line.disparity"):
        assert {f"{kind}:count=15", f"{kind}:count=16"} <= NAMES


def test_every_character_but_k28_5_in_place_of_the_sync_byte() -> None:
    """Twelve special characters (IEEE 802.3 table 36-2), one of them right, and D28.5 as number 12."""
    assert {f"sync.byte:code={code}" for code in range(13) if code != 5} <= NAMES
    assert "sync.byte:code=5" not in NAMES


def test_ends_of_the_hyperframe_are_damaged_too() -> None:
    assert {"line.violation:x=255,w=15,y=0", "line.disparity:x=255,w=15,y=0", "line.k:x=255,w=15"} <= NAMES


def test_rules_say_what_line_data_must_hold() -> None:
    assert {rule.needs for rule in LINE_RULES} == {FLAGS, LINE_CODE, LINE_BITS}
    for rule in LINE_RULES:
        assert not rule.hidden_in(LineForm.BITS)
        assert rule.hidden_in(LineForm.OCTETS)
        assert rule.hidden_in(LineForm.FLAGGED) is (rule.needs != FLAGS)
        assert rule.hidden_in(LineForm.SYMBOLS) is (rule.needs == LINE_BITS)
    assert set(RULES_OF_K28_5) < set(SYNC_RULES)
