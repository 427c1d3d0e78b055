"""Rules of L1: filters and the reset request one hyperframe short and just long enough, over HFN 0, and together."""

from __future__ import annotations

import pytest

from monitor.campaign.conditions import LinkConditions
from monitor.campaign.l1_rules import L1_RULES
from monitor.faults.catalogue import parse_fault
from monitor.faults.standard import RESET_HYPERFRAMES, TAKEN_OVER, VERSION_TAKEN_OVER

CASES = {case.name: case for rule in L1_RULES for case in rule.cases}


@pytest.mark.parametrize(
    ("fault", "needed"),
    [
        ("l1.pointer", TAKEN_OVER),
        ("l1.rate", TAKEN_OVER),
        ("l1.version", VERSION_TAKEN_OVER),
        ("l1.reset", RESET_HYPERFRAMES),
    ],
)
def test_one_hyperframe_short_and_just_long_enough(fault: str, needed: int) -> None:
    lasting = {
        parse_fault(case.faults[0]).values["hyperframes"]
        for case in CASES.values()
        if len(case.faults) == 1 and case.faults[0].startswith(fault + ":")
    }
    assert {needed - 1, needed} <= lasting


@pytest.mark.parametrize("fault", ["l1.pointer", "l1.rate", "l1.reset"])
def test_what_is_counted_goes_over_hfn_149_to_0(fault: str) -> None:
    case = CASES[f"{fault} over HFN 149 to 0"]
    usual = case.conditions(LinkConditions())
    lasts = parse_fault(case.faults[0]).values["hyperframes"]
    hfn = [usual.hfn_at(usual.fault_hyperframe + i) for i in range(lasts)]
    assert 149 in hfn and 0 in hfn and hfn.index(0) not in (0, lasts)


def test_each_alarm_alone_and_all_at_once() -> None:
    assert {"l1.rai", "l1.sdi", "l1.los", "l1.lof", "l1.reset", "l1.alarms:mask=31"} <= CASES.keys()
