"""The campaign on two boards that are joined: verdicts, what comes back, mutants of the receiver, and lost cables."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from decoders.events import Alarm
from decoders.frame_structure.frames import ALARM_BITS
from monitor.campaign import live_bench, two_ended_bench, two_ended_proof
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.results import Campaign
from monitor.campaign.two_ended_bench import TwoEndedBench
from monitor.campaign.two_ended_source import End, TwoEnds
from monitor.emulation.board import RecordBoard
from monitor.emulation.returned_alarms import ReturnedAlarms
from monitor.errors import InputError, RefusedError
from monitor.faults.verdict import Verdict
from tests.support.mutant_board import mutant_board
from tests.support.pairs import PumpedPair, pair_setups

SOURCES = (("REC-A", "socket://127.0.0.1:1"), ("RE-1", "socket://127.0.0.1:2"))


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(two_ended_proof, "_WITHIN", 40)
    monkeypatch.setattr(two_ended_proof, "_MOST", 80)
    monkeypatch.setattr(two_ended_bench, "_BACK_MOST", 40)
    monkeypatch.setattr(live_bench, "BASELINE_HYPERFRAMES", 200)
    monkeypatch.setattr(two_ended_bench, "CLEAN_WITHIN", 150)


def bench_of(pair: PumpedPair, *, uplink: bool = False) -> TwoEndedBench:
    ends = [End("REC-A", pair.near), End("RE-1", pair.far)]
    near, far = reversed(ends) if uplink else ends
    return TwoEndedBench(TwoEnds(near, far, patience_s=1.0), SOURCES, hyperframes=64)


def pair_of(far: RecordBoard | None = None) -> PumpedPair:
    """At option 1, whose hyperframes are the shortest."""
    return PumpedPair(RecordBoard(pair_setups("1")[0]), far or RecordBoard(pair_setups("1")[1]))


def run(bench: TwoEndedBench, cases: Sequence[Case]) -> Campaign:
    return run_campaign(bench.conditions, cases, bench=bench)


def verdicts(campaign: Campaign) -> dict[str, str]:
    return {r.case.name: r.verdict.value for r in campaign.results}


def of_a_board(verdict: str) -> str:
    """Where no counter has to change, nothing is known of what a board has sent, but all of the emulated link."""
    return Verdict.UNPROVEN.value if verdict in (Verdict.SILENT, Verdict.BOUNDED) else verdict


def texts(campaign: Campaign) -> dict[str, list[str]]:
    return {r.case.name: [f.text for f in r.findings] for r in campaign.results if not r.passed}


# ---- the same verdicts as on one emulated pair ---------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("uplink", [False, True])
def test_every_fault_is_told_as_on_one_emulated_pair(uplink: bool) -> None:
    pair = PumpedPair()
    ends = [End("REC-A", pair.near), End("RE-1", pair.far)]
    near, far = reversed(ends) if uplink else ends
    campaign = run(TwoEndedBench(TwoEnds(near, far), SOURCES), every_case())
    emulated = run_campaign(LinkConditions(source="emulated:pair"), every_case())
    assert verdicts(campaign) == {n: of_a_board(v) for n, v in verdicts(emulated).items()}
    assert texts(campaign) == {}


@pytest.mark.slow
def test_an_rec_does_not_acknowledge() -> None:
    campaign = run(bench_of(pair_of(), uplink=True), [Case(("l1.reset:hyperframes=10",))])
    assert campaign.passed and campaign.results[1].returned is not None
    assert not campaign.results[1].returned.moved


def test_reports_say_who_injected_and_who_observed() -> None:
    conditions = bench_of(pair_of()).conditions
    words = conditions.words
    assert (words["inject_at"], words["observe_at"], words["returned_alarms_at"]) == (
        "REC-A",
        "RE-1",
        "REC-A",
    )
    assert (
        words["via"] == "two boards"
        and "REC-A at" in str(words["board"])
        and "RE-1 at" in str(words["board"])
    )
    assert conditions.command("campaign", None, "--only", "iq.flip") == (
        "framefray campaign REC-A=socket://127.0.0.1:1 RE-1=socket://127.0.0.1:2 --inject-at REC-A --yes"
        " --hyperframes 64 --only iq.flip"
    )


# ---- receivers that are wrong --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mutant", "fault", "verdict", "counter", "text"),
    [
        pytest.param(
            "no-violations", "line.violation", Verdict.MISSED, "code_violations", "expected +1, observed +0",
            marks=pytest.mark.slow,
        ),
        ("stuck-vendor", "vendor.value", Verdict.MISSED, "vendor_changes", "expected +1"),
        ("late-los", "line.violation:count=16", Verdict.MISSED, "l1_alarm_changes",
         "returned to REC-A: l1_alarm_changes: expected +6..+8, observed +0"),
    ],
)  # fmt: skip
def test_a_mutant_of_the_far_receiver_fails_under_its_counter(
    mutant: str, fault: str, verdict: Verdict, counter: str, text: str
) -> None:
    pair = pair_of(mutant_board(pair_setups("1")[1], mutant))
    campaign = run(bench_of(pair), [Case((fault,)), Case(("ethernet.fcs",))])
    baseline, failed, passed = campaign.results
    assert (baseline.verdict, failed.verdict, passed.verdict) == (Verdict.CLEAN, verdict, Verdict.DETECTED)
    assert any(f.counter == counter and text in f.text for f in failed.findings)


def test_a_receiver_whose_baseline_is_wrong_is_told_by_its_plane() -> None:
    pair = pair_of(mutant_board(pair_setups("1")[1], "wrong-hdlc"))
    baseline = bench_of(pair).baseline()
    assert not baseline.passed
    assert {f.counter.partition("_")[0] for f in baseline.findings if f.counter} == {"hdlc"}


class _Mute(ReturnedAlarms):
    def receive(self, events: object) -> None: ...

    def octets(self, n: int, *, los: bool, lof: bool):  # type: ignore[no-untyped-def]
        yield n, 0


def test_an_alarm_or_an_acknowledgement_that_does_not_come_back_is_missed() -> None:
    far = RecordBoard(pair_setups("1")[1])
    far._returned = _Mute(acknowledges=True)
    cases = [Case((name,)) for name in ("sync.comma:count=3", "l1.reset:hyperframes=10")]
    campaign = run(bench_of(pair_of(far)), cases)
    _, lost, reset = campaign.results
    assert (lost.verdict, reset.verdict) == (Verdict.MISSED, Verdict.MISSED)
    assert "returned to REC-A: alarm RAI (remote): expected raised, not observed" in [
        f.text for f in lost.findings
    ]
    assert any("alarm RESET (remote): expected raised" in f.text for f in reset.findings)
    assert all(f.plane == "l1" for f in lost.findings if f.counter is None)


@pytest.mark.slow
def test_an_alarm_that_comes_back_for_nothing_is_a_side_effect() -> None:
    pair = pair_of()
    bench = bench_of(pair)
    bench.baseline()
    receive = pair.b.decoder.receive

    def raising(data: bytes, now: int = 0) -> object:
        events = receive(data, now)
        if any(type(e).__name__ == "FrameReceived" and e.status == "fcs" for e in events):  # type: ignore[attr-defined]
            pair.b._returned._raised.add(Alarm.LOS)
        return events

    pair.b.decoder.receive = raising  # type: ignore[method-assign, assignment]
    case = bench.case(Case(("ethernet.fcs",)))
    assert case.verdict is Verdict.SIDE_EFFECT
    assert [f.text for f in case.findings] == [
        "returned to REC-A: l1_alarm_changes: expected no change, observed +4"
    ]


# ---- connections that are not, or no longer -------------------------------------------------------------------


def test_a_cable_pulled_in_between_ends_the_campaign_and_fails_nothing() -> None:
    pair = pair_of()
    bench = bench_of(pair)
    monkey = bench.case
    done: list[str] = []

    def pulled(case: Case) -> object:
        if done:
            pair.pull()
        done.append(case.name)
        return monkey(case)

    bench.case = pulled  # type: ignore[method-assign, assignment]
    campaign = run(bench, [Case(("ethernet.fcs",)), Case(("iq.flip",)), Case(("vendor.flip",))])
    assert [r.passed for r in campaign.results] == [True, True] and campaign.interrupted
    assert "RE-1" in str(campaign.trouble) and "no hyperframe sync on what it receives" in str(
        campaign.trouble
    )


def test_a_silent_fault_is_no_pass_once_another_board_is_connected() -> None:
    pair = pair_of()
    bench = bench_of(pair)
    bench.baseline()
    assert bench.case(Case(("iq.flip",))).verdict is Verdict.UNPROVEN
    pair.cross()
    with pytest.raises(InputError, match=r"RE-1 receives no L1 inband octets of REC-A: .*the cable"):
        bench.case(Case(("iq.flip",)))


def test_an_alarm_that_stands_is_said() -> None:
    pair = pair_of()
    pair.b._returned.octets = lambda n, **_: iter([(n, ALARM_BITS["rai"])])  # type: ignore[method-assign, assignment]
    with pytest.raises(InputError, match="RE-1 reports RAI all the time"):
        bench_of(pair)


@pytest.mark.slow
def test_what_comes_back_is_not_judged_where_the_far_board_sends_no_marker() -> None:
    pair = pair_of()

    def refuse(text: str) -> None:
        raise RefusedError("the board refuses the fault: unknown command")

    pair.far.inject = refuse  # type: ignore[method-assign, assignment]
    bench = bench_of(pair)
    bench.baseline()
    assert bench.conditions.words["returned_alarms_at"] is None
    assert any("l1: what comes back to REC-A" in text for text in bench.conditions.not_proven)
    result = bench.case(Case(("sync.comma:count=3",)))
    assert result.passed and result.returned is None
