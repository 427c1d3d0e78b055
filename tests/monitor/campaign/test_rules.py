"""The table of rules: what it holds, what passes, and wrong receivers that must not."""

from __future__ import annotations

from fnmatch import fnmatchcase

import pytest

from monitor.campaign.campaign import Baselines
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receivers import ReceiverFactory
from monitor.campaign.rules import RULES, default_cases, rules_of
from monitor.faults.catalogue import parse_fault
from monitor.faults.injector import check_fault
from tests.monitor.campaign.mutants import MUTANTS

OPTION_2 = LinkConditions()
PASSING = (
    "baseline", "alignment offset 3", "line.k, each in IQ data", "line.violation, 16 then 1", "sync.byte:code=12",
    "sync.pattern, three right while sync is lost", "line.k, K28.5 elsewhere at the start", "hdlc, good frames",
    "l1.reset, interrupted after 9 hyperframes", "hdlc.idle:how=2", "hdlc.fcs, each bit of the register",
    "ethernet.code, each group", "pointer p = 63", "no slow C&M, rate code 0",
    "reserved.flip, each subchannel and word",
)  # fmt: skip
"""Some of every kind; a campaign of all takes half a minute."""


def test_every_rule_has_a_clause_and_cases_of_both_kinds() -> None:
    for rule in rules_of(OPTION_2):
        assert rule.clause and rule.cases, rule.text
    names = [case.name for case in default_cases(OPTION_2)]
    assert len(names) == len(set(names)) > 300


@pytest.mark.parametrize("option", ["1", "4", "7"])
def test_every_fault_of_the_table_can_be_read(option: str) -> None:
    usual = LinkConditions(option=option)
    for case in default_cases(usual):
        conditions = case.conditions(usual)
        for text in case.faults:
            fault = parse_fault(text)
            if fault.kind.name not in ("sync.filler",):
                check_fault(fault, conditions.line, conditions.pointer_p, conditions.rate_code)


@pytest.mark.parametrize("name", PASSING)
def test_the_right_receiver_passes(name: str) -> None:
    bench = Baselines(OPTION_2)
    case = next(case for case in default_cases(OPTION_2) if case.name == name)
    result = bench.baseline() if case.is_baseline else bench.case(case)
    assert result.passed, [finding.text for finding in result.findings]
    assert case.is_baseline or result.held > 100


@pytest.mark.parametrize(
    "changes",
    [
        {"pointer_p": 63}, {"pointer_p": 62}, {"hdlc_rate_code": 1}, {"hyperframes": 126}, {"load": 0.0},
        {"option": "1", "pointer_p": 60}, {"source": "emulated:pair"}, {"pointer_p": 0, "hdlc_rate_code": 0},
    ],
    ids=str,
)  # fmt: skip
def test_a_good_link_passes(changes: dict[str, object]) -> None:
    """What the sender does by itself is in its list: vendor octets that step at HFN 0, a channel that is quiet."""
    result = Baselines(LinkConditions(**changes)).baseline()  # type: ignore[arg-type]
    assert result.passed, [finding.text for finding in result.findings]


WRONG = (
    "every good HDLC frame lost", "every good Ethernet frame lost", "last octet of HDLC frames cut off",
    "last octet of Ethernet frames cut off",
    "one bit of the FCS-16 not compared", "FCS-16 without the complement", "any K taken for the sync byte",
    "data octet BC taken for the sync byte", "sync after one K28.5",
    "vendor octets of Y = 0 only", "several changes count as one",
)  # fmt: skip


def wrong_receivers() -> dict[str, ReceiverFactory]:
    return {mutant.name: mutant.make for mutant in MUTANTS if mutant.option == "2"}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_receiver_fails(name: str) -> None:
    """Mistakes of a firmware engineer, one rule each; the case that fails is of the rule that is broken."""
    bench = Baselines(LinkConditions(seed=3), wrong_receivers()[name])
    if not bench.baseline().passed:
        return
    wanted = next(m for m in MUTANTS if m.name == name)
    cases = [
        c for c in default_cases(bench.conditions) if any(fnmatchcase(c.name, p) for p in wanted.caught_by)
    ]
    assert any(not bench.case(case).passed for case in cases)


def test_a_receiver_that_says_nothing_passes_no_row() -> None:
    from monitor.campaign.receivers import PythonReceiver

    class Mute:
        def __init__(self, option: str, form: str) -> None: ...
        def receive(self, data: bytes) -> None: ...

    bench = Baselines(OPTION_2, lambda settings: PythonReceiver(Mute(settings.option, settings.form.value)))
    assert not bench.baseline().passed
    silent = [
        "l1.reserved",
        "hdlc.join",
        "ethernet.preamble",
        "ethernet.size",
        "ethernet.gap",
        "iq.flip",
        "line.burst",
    ]
    assert not any(bench.case(Case((name,))).passed for name in silent)


def test_rules_are_one_sentence_each() -> None:
    assert len({rule.text for rule in RULES}) >= 50
