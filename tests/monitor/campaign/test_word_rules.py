"""Rules of control words: every subchannel and word of a plane is changed, at each pointer and rate code."""

from __future__ import annotations

import pytest

from monitor.campaign.conditions import LinkConditions
from monitor.campaign.word_rules import WORD_RULES, place_rules
from monitor.faults.catalogue import parse_fault
from monitor.faults.standard import hdlc_octets, vendor_octets


def changed(fault: str) -> set[tuple[int, int]]:
    """(Ns, Xs) of all places that a fault changes in the cases."""
    texts = (text for rule in WORD_RULES for case in rule.cases for text in case.faults)
    faults = (parse_fault(text) for text in texts if text.startswith(fault))
    return {(f.values["ns"], f.values["xs"]) for f in faults}


def test_every_subchannel_and_word_of_ctrl_axc_and_reserved() -> None:
    assert changed("ctrl_axc.flip") == {(ns, xs) for ns in range(4, 8) for xs in range(4)}
    assert changed("reserved.flip") >= {(ns, xs) for ns in range(8, 16) for xs in range(4)}


def test_more_changes_in_one_hyperframe_than_a_short_queue_holds() -> None:
    (case,) = [c for rule in WORD_RULES for c in rule.cases if c.name == "vendor.flip, 28 in one hyperframe"]
    faults = [parse_fault(text) for text in case.faults]
    places = {(f.values["ns"], f.values["xs"], f.values["y"]) for f in faults}
    assert len(places) == 28 and {f.hyperframe for f in faults} == {24}
    assert places <= {tuple(place) for place in vendor_octets("1", 40).places.tolist()}


@pytest.mark.parametrize("option", ["1", "2", "7"])
def test_each_pointer_and_rate_code_has_a_case(option: str) -> None:
    usual = LinkConditions(option=option)
    cases = [case for rule in place_rules(usual) for case in rule.cases]
    assert {c.pointer_p for c in cases if c.pointer_p is not None} == set(range(20, 64)) - {40} | {0}
    codes = {code for code in range(7) if hdlc_octets(option, code)} - {usual.rate_code}
    assert codes <= {case.rate_code for case in cases}
