"""The thorough size: pairs of settings, and random faults against the second receiver."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from monitor.campaign.campaign import Baselines, observe
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receivers import OWN_DECODER, SECOND_RECEIVER
from monitor.campaign.results import Campaign
from monitor.campaign.thorough import add_random_cases, pairwise_cases
from monitor.campaign.transmission import transmit
from monitor.faults.catalogue import parse_fault
from tests.support.receivers import receiver_of


def test_every_two_settings_meet() -> None:
    cases = pairwise_cases(LinkConditions())
    rows = [(c.option, c.form, c.pointer_p, c.faults[0].partition("@")[0]) for c in cases]
    for i, j in itertools.combinations(range(4), 2):
        every = {(a, b) for a in {row[i] for row in rows} for b in {row[j] for row in rows}}
        assert {(row[i], row[j]) for row in rows} == every
    assert cases == pairwise_cases(LinkConditions()) and len(cases) < 250


@pytest.mark.parametrize("number", [0, 40, 80])
def test_a_pair_passes_or_has_no_place(number: int) -> None:
    result = Baselines(LinkConditions()).case(pairwise_cases(LinkConditions())[number])
    assert result.passed, [finding.text for finding in result.findings]


class Hasty(LinkDecoder):
    """Counts each invalid HFN twice."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        before = self.counters["hfn_invalid"]
        events = super().receive(data, now)
        self.counters["hfn_invalid"] += self.counters["hfn_invalid"] - before
        return events


def test_random_faults_repeat_themselves_and_the_right_receiver_passes() -> None:
    names = []
    for _ in range(2):
        campaign = Campaign(LinkConditions(seed=11))
        add_random_cases(campaign, OWN_DECODER, seconds=60, most=3)
        assert campaign.passed, [f.text for r in campaign.results for f in r.findings]
        names.append([result.case.faults for result in campaign.results])
    assert names[0] == names[1] and len(names[0]) == 3


def test_a_failing_case_is_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.campaign import thorough

    drawn = iter(["l1.rai@30:hyperframes=2", "sync.hfn@33:value=222", "vendor.flip@31:bit=3"] * 2)
    monkeypatch.setattr(thorough, "_random_fault", lambda draw, conditions: next(drawn))
    monkeypatch.setattr(thorough.random.Random, "randint", lambda self, low, high: 3)
    campaign = Campaign(LinkConditions())
    add_random_cases(campaign, receiver_of(Hasty), seconds=60, most=1)
    (result,) = campaign.results
    assert result.case.faults == ("sync.hfn@33:value=200",)
    assert not result.passed and result.findings[0].counter == "hfn_invalid"
    assert result.case.choice == ("--case", "sync.hfn@33:value=200")


@pytest.mark.parametrize("fec", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_pairs_and_random_faults_are_of_the_line_code_of_the_link(fec: bool) -> None:
    usual = LinkConditions(option="7A", fec=fec)
    cases = pairwise_cases(usual)
    faults = {c.faults[0].partition("@")[0] for c in cases}
    assert ("fec.header_rule" in faults) is fec and "line.sync_pair" in faults and len(cases) < 150
    assert {c.option for c in cases} == {"7A"}
    assert {c.form for c in cases} == ({LineForm.BITS} if fec else set(LineForm) - {LineForm.SYMBOLS})
    for case in cases:
        assert case.conditions(usual).sent_line.fec is fec
    campaign = Campaign(replace(usual, seed=3))
    add_random_cases(campaign, OWN_DECODER, seconds=60, most=1)
    (result,) = campaign.results
    assert result.passed, [f.text for f in result.findings]
    assert result.case.option == "7A"


def test_the_second_receiver_of_blocks_judges_a_wrong_one() -> None:
    class Deaf(LinkDecoder):
        """Counts no unexpected type of block."""

        def receive(self, data: Any, now: int = 0) -> list[Event]:
            events = super().receive(data, now)
            self.counters["block_type_unexpected"] = 0
            return events

    conditions = LinkConditions(option="7A", form=LineForm.BLOCKS, crafted=True, hyperframes=8)
    sent = transmit(conditions, [parse_fault("line.header@26:w=5")], conditions.length)
    seen, _ = observe(sent, "7A", receiver_of(Deaf))
    right, _ = observe(sent, "7A", SECOND_RECEIVER)
    own, _ = observe(sent, "7A")
    assert right.counters["block_type_unexpected"] == own.counters["block_type_unexpected"] == 1
    assert seen.counters["block_type_unexpected"] == 0
    assert right.in_sync and own.counters["realignments"] == right.counters["realignments"]
