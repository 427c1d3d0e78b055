"""The mutation score: wrong receivers, each declared with the rule it breaks, and what catches it.

tests/bench/mutation_score.py runs every mutant against the whole campaign and prints the table.
"""

from __future__ import annotations

from fnmatch import fnmatchcase

import pytest

from decoders.events import Event, Plane
from decoders.link.settings import LinkSettings
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.known_answers import check_known_answers, known_streams
from monitor.campaign.receivers import OWN_DECODER, ReceiverFactory
from monitor.campaign.transmission import transmit
from monitor.delay.run import DelayRun
from monitor.faults.catalogue import parse_fault
from tests.monitor.campaign.mutants import MUTANTS, Mutant
from tests.monitor.campaign.mutants.blocks import descrambling, reading_blocks, with_fec
from tests.monitor.campaign.mutants.cm_channels import ethernet, hdlc
from tests.monitor.campaign.mutants.declaration import reading
from tests.monitor.campaign.mutants.delay import DELAY_MUTANTS, DelayMutant
from tests.monitor.campaign.mutants.judging import Judging
from tests.monitor.campaign.mutants.l1 import alarms
from tests.monitor.campaign.mutants.line_code import unchanged
from tests.monitor.campaign.mutants.sync import numbers

KNOWN = [m for m in MUTANTS if any(pattern.startswith("known:") for pattern in m.caught_by)]
CASES = [m for m in MUTANTS if m not in KNOWN and not m.equivalent]
UNBROKEN = {
    "bit-serial HDLC": hdlc(),
    "bit-serial Ethernet": ethernet(),
    "changed reader": reading(unchanged),
    "HFN and BFN one by one": numbers(),
    "alarms bit by bit": alarms(),
}


@pytest.fixture(scope="module")
def judging() -> Judging:
    return Judging()


def test_mutants_are_declared() -> None:
    names = [mutant.name for mutant in MUTANTS]
    assert len(names) >= 215
    assert len(set(names)) == len(names)
    for mutant in MUTANTS:
        assert mutant.rule and mutant.clause
        assert mutant.plane in {*Plane, "delay"}, mutant.name
        assert mutant.caught_by, mutant.name
    streams = [f"known:{stream.name}" for stream in known_streams()]
    for mutant in KNOWN:
        patterns = [p for p in mutant.caught_by if p.startswith("known:")]
        assert all(any(fnmatchcase(s, p) for s in streams) for p in patterns), mutant.name
    per_plane = {plane: sum(m.plane == plane for m in MUTANTS) for plane in {m.plane for m in MUTANTS}}
    assert min(per_plane.values()) >= 4, per_plane
    assert sum(bool(m.equivalent) for m in MUTANTS) <= 5


@pytest.mark.parametrize("name", UNBROKEN)
def test_what_mutants_are_made_of_is_right(name: str) -> None:
    """Without its mistake each is the receiver itself, event for event: only the mistake is measured."""
    faults = (
        "hdlc.fcs@12", "hdlc.abort@16", "hdlc.unaligned@20", "hdlc.short@24", "hdlc.stuffing@30", "hdlc.flag@36",
        "hdlc.join@42", "ethernet.fcs@12", "ethernet.code@14", "ethernet.delimiter@16:which=0",
        "ethernet.delimiter@18:which=4", "ethernet.sfd@20", "ethernet.short@24", "l1.rai@20", "sync.hfn@30",
        "sync.bfn@33", "sync.jump@36", "l1.reset@40:hyperframes=12", "sync.comma@56:count=3",
    )  # fmt: skip
    sent = transmit(LinkConditions(option="2", seed=3), [parse_fault(text) for text in faults], 96)

    def received(factory: ReceiverFactory) -> tuple[dict[str, int], list[Event]]:
        receiver = factory(LinkSettings("2", sent.form))
        events = [event for chunk in sent.chunks for event in receiver.receive(chunk)]
        return dict(receiver.counters), events + list(receiver.finish())

    assert received(UNBROKEN[name]) == received(OWN_DECODER)
    streams = [s for s in known_streams() if s.name in ("places_2_3", "check_sequences", "l1_inband")]
    assert [r for r in check_known_answers(UNBROKEN[name], streams=streams) if not r.passed] == []


@pytest.mark.parametrize(("name", "fec"), [("descrambler", False), ("blocks", False), ("codewords", True)])
def test_what_block_mutants_are_made_of_is_right(name: str, fec: bool) -> None:
    made = {"descrambler": descrambling(), "blocks": reading_blocks(), "codewords": with_fec()}
    texts = (
        "line.flip@8",
        "line.violation@10:count=3",
        "line.header@12",
        "line.k@14:code=10",
        "fec.symbols@16",
    )
    faults = [parse_fault(text) for text in texts if fec or not text.startswith("fec")]
    sent = transmit(LinkConditions(option="8", fec=fec, seed=3), faults, 24)

    def received(factory: ReceiverFactory) -> tuple[dict[str, int], list[Event]]:
        receiver = factory(LinkSettings("8", sent.form))
        events = [event for chunk in sent.chunks for event in receiver.receive(chunk)]
        return dict(receiver.counters), events + list(receiver.finish())

    assert received(made[name]) == received(OWN_DECODER)


@pytest.mark.parametrize("mutant", KNOWN, ids=lambda m: m.name)
def test_a_mutant_that_known_answers_must_catch(mutant: Mutant, judging: Judging) -> None:
    for pattern in mutant.caught_by:
        if pattern.startswith("known:"):
            judged = judging.known(mutant, pattern.removeprefix("known:"))
            if judged.named:
                return
    pytest.fail(
        f"{mutant.name}: no stream of {mutant.caught_by} has a row of plane {mutant.plane} that fails"
    )


@pytest.mark.parametrize("mutant", CASES, ids=lambda m: m.name)
def test_a_mutant_that_a_case_must_catch(mutant: Mutant, judging: Judging) -> None:
    judged = judging.declared(mutant)
    assert judged.named, judged.text


@pytest.mark.parametrize("mutant", [m for m in MUTANTS if m.equivalent], ids=lambda m: m.name)
def test_an_equivalent_mutant_is_not_caught(mutant: Mutant, judging: Judging) -> None:
    """Or the argument is wrong."""
    assert len(mutant.equivalent) > 40
    assert not judging.declared(mutant).caught
    assert not judging.known(mutant, "*", every=True).caught


@pytest.mark.parametrize("mutant", DELAY_MUTANTS, ids=lambda m: m.name)
def test_a_delay_mutant_is_caught_and_named(mutant: DelayMutant) -> None:
    run = DelayRun(mutant.make(), mutant.resets)
    while not run.done:
        run.step()
    status = run.status()
    assert status.verdict == "fail"
    assert {finding.kind for finding in status.findings} & set(mutant.kinds)
