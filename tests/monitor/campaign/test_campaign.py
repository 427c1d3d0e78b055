"""The negative-test campaign: what passes, what fails and how it is called, and that it repeats itself."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from decoders.counters import COUNTERS
from decoders.events import Alarm, AlarmCleared, Event, FrameReceived, FrameStatus, Origin, Plane
from decoders.line_coding.characters import CHARACTER_FORMS, LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.campaign import receivers
from monitor.campaign.campaign import Baselines, run_campaign, run_case
from monitor.campaign.cases import BASELINE, COMBINATIONS, VARIANTS, Case, choose, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.declared import declare
from monitor.campaign.results import Campaign
from monitor.campaign.transmission import around, transmit
from monitor.cli.main import main
from monitor.commands import campaign as command
from monitor.errors import InputError
from monitor.faults.catalogue import CATALOGUE, parse_fault
from monitor.faults.kinds import Expectation, Range
from monitor.faults.verdict import Declared, Observation, Timed, Verdict, judge
from monitor.testing.bit_errors import measure_bit_errors
from tests.support.receivers import receiver_of

SOME = tuple(
    Case((name,))
    for name in (
        "line.flip", "line.violation:count=16", "line.disparity", "sync.comma", "sync.hfn", "l1.rai", "hdlc.fcs",
        "hdlc.abort", "ethernet.code", "vendor.value:hyperframes=3", "iq.flip",
    )
)  # fmt: skip


def failures(campaign: Campaign) -> dict[str, list[str]]:
    return {r.case.name: [f.text for f in r.findings] for r in campaign.results if not r.passed}


# --- the whole campaign -----------------------------------------------------------------------------------


def test_every_fault_is_told_under_its_own_heading() -> None:
    campaign = run_campaign(LinkConditions(), every_case())
    assert failures(campaign) == {}
    for result in campaign.results:
        assert (
            result.verdict is not Verdict.LEFT_OUT or "not valid for this option" in result.findings[0].text
        )
    faults = {text.split(":")[0] for r in campaign.results for text in r.case.faults}
    assert faults == set(CATALOGUE)


@pytest.mark.parametrize("option", ["1", "4", pytest.param("7", marks=pytest.mark.slow)])
@pytest.mark.parametrize("source", ["emulated", "emulated:pair"])
def test_other_rates_and_two_boards(option: str, source: str) -> None:
    assert failures(run_campaign(LinkConditions(source=source, option=option, seed=2), SOME)) == {}


@pytest.mark.parametrize("form", CHARACTER_FORMS)
def test_a_crafted_capture_decodes_to_its_truth(form: LineForm) -> None:
    campaign = run_campaign(LinkConditions(crafted=True, form=form, option="1"), SOME)
    assert failures(campaign) == {}
    assert campaign.results[0].case.name == BASELINE


def test_faults_of_line_bits_are_left_out_where_a_form_has_none() -> None:
    conditions = LinkConditions(crafted=True, form=LineForm.SYMBOLS)
    result = run_case(Case(("line.slip",)), Baselines(conditions))
    assert result.verdict is Verdict.LEFT_OUT and result.passed
    assert "needs a form with line bits" in result.findings[0].text


def test_a_channel_that_is_not_there_leaves_its_faults_out() -> None:
    conditions = LinkConditions(pointer_p=0, hdlc_rate_code=0)
    campaign = run_campaign(
        conditions, [Case((name,)) for name in ("hdlc.fcs", "ethernet.fcs", "vendor.value")]
    )
    words = [result.verdict for result in campaign.results]
    assert words == [Verdict.CLEAN, Verdict.LEFT_OUT, Verdict.LEFT_OUT, Verdict.DETECTED]
    assert campaign.passed and campaign.left_out == 2 and campaign.count(passed=True) == 2


def test_variants_and_combinations_can_be_read() -> None:
    assert set(VARIANTS) <= set(CATALOGUE)
    for case in every_case():
        assert all(parse_fault(text).hyperframe is None for text in case.faults)
    for texts in COMBINATIONS:
        assert len(set(texts)) == len(texts) > 1


def test_the_same_seed_gives_the_same_octets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = []
    for number in range(2):
        pages = [tmp_path / f"{number}.xml", tmp_path / f"{number}.html"]
        words = ["campaign", "emulated", "--json", "--reproducible", "--seed", "9", "--only", "vendor.f*"]
        assert main([*words, "--junit", str(pages[0]), "--html", str(pages[1])]) == 0
        made.append((capsys.readouterr().out, *(page.read_bytes() for page in pages)))
    assert made[0] == made[1]
    assert "run" not in json.loads(made[0][0])


def test_another_seed_gives_another_stream() -> None:
    one, other = (transmit(LinkConditions(seed=seed), (), 8) for seed in (1, 2))
    assert one.sent != other.sent


# --- times ------------------------------------------------------------------------------------------------


def result_of(text: str, **changes: Any) -> Any:
    return run_case(Case((text,)), Baselines(LinkConditions(**changes)))


def test_a_wrong_octet_is_seen_at_once() -> None:
    result = result_of("vendor.value:hyperframes=3")
    assert (result.detected_after, result.recovered_after) == (0, 3)
    assert result.moved == {"vendor_changes": 2}


def test_a_damaged_frame_is_seen_when_it_ends() -> None:
    result = result_of("hdlc.fcs")
    (place,) = result.placed
    assert place.offset_octets is None and place.frame_hyperframe is not None
    assert result.detected_after == place.frame_hyperframe - place.hyperframe


def test_lost_sync_is_found_again_by_four_sync_bytes() -> None:
    """CPRI clause 4.2.9, Fig. 26: three missed lose sync, four in their places give it back."""
    result = result_of("sync.comma:count=3")
    assert result.detected_after == 0
    assert result.recovered_after == 3 + 4 - 1


def test_missed_hyperframes_are_counted_in() -> None:
    """The line goes on while the receiver hunts: times are those of the line."""
    dark = result_of("line.dark:hyperframes=20")
    assert dark.passed and 20 <= dark.recovered_after <= 25


# --- choosing ---------------------------------------------------------------------------------------------


def test_patterns_choose_by_whole_names() -> None:
    names = [case.name for case in choose(every_case(), ["hdlc.*"], ["*+*", "hdlc.long"])]
    assert names[0] == BASELINE
    assert "hdlc.fcs" in names and "hdlc.long" not in names
    assert all(name == BASELINE or name.startswith("hdlc.") for name in names)
    assert [case.name for case in choose(every_case(), ["iq.flip"])] == [BASELINE, "iq.flip"]


def test_a_pattern_that_fits_nothing_is_an_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["campaign", "emulated", "--only", "hldc.*"]) == 2
    assert "no case matches 'hldc.*'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["capture.bits"], "emulated, emulated:pair and boards"),
        (["emulated:ring"], "use emulated or emulated:pair"),
        (["emulated", "--form", "octets"], "add --via craft"),
        (["emulated:pair", "--via", "craft"], "cannot be crafted"),
        (["emulated", "--pointer", "7"], "pointer"),
        (["emulated", "--option", "1", "--hdlc-rate", "6", "--only", "iq.flip"], "HDLC rate code"),
        (["emulated", "--junit", "/no/such/place.xml"], "/no/such/place.xml"),
    ],
)
def test_bad_input_is_one_line_and_status_2(
    words: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["campaign", *words]) == 2
    error = capsys.readouterr().err
    assert text in error and error.count("\n") == 1


def test_repeat_takes_successive_seeds() -> None:
    campaign = run_campaign(LinkConditions(seed=5), [Case(("iq.flip",))], repeat=3)
    assert [(r.case.name, r.seed) for r in campaign.results] == [
        (name, seed) for seed in (5, 6, 7) for name in (BASELINE, "iq.flip")
    ]
    assert campaign.planned == 6 and campaign.passed


class Deaf(LinkDecoder):
    """Counts no HDLC frame with a wrong FCS."""

    def receive(self, data: Any, now: int = 0) -> list[Event]:
        events = super().receive(data, now)
        self.counters["hdlc_fcs_errors"] = 0
        return [e for e in events if not (isinstance(e, FrameReceived) and e.status is FrameStatus.FCS)]


def test_fail_fast_stops_at_the_first_failure() -> None:
    cases = [Case(("iq.flip",)), Case(("hdlc.fcs",)), Case(("vendor.flip",))]
    campaign = run_campaign(LinkConditions(), cases, receiver=receiver_of(Deaf), fail_fast=True)
    assert [r.case.name for r in campaign.results] == [BASELINE, "iq.flip", "hdlc.fcs"]
    assert campaign.results[-1].verdict is Verdict.MISSED
    assert campaign.results[-1].findings[0].counter == "hdlc_fcs_errors"


def _with_receiver(monkeypatch: pytest.MonkeyPatch, receiver: type[LinkDecoder]) -> None:
    def run(*positional: Any, **named: Any) -> Campaign:
        return run_campaign(
            *positional, **(named | {"receiver": receiver_of(receiver), "known_answers": False})
        )

    monkeypatch.setattr(command, "run_campaign", run)


def test_a_failing_campaign_has_status_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _with_receiver(monkeypatch, Deaf)
    assert main(["campaign", "emulated", "--only", "hdlc.fcs", "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert (record["schema"], record["verdict"]) == ("framefray.campaign/1", "fail")
    assert record["cases"][1]["repeat_with"].endswith("--only hdlc.fcs")
    assert record["run"]["seconds"] > 0


def test_an_interrupt_leaves_a_report_of_what_was_done(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    class Stopped(LinkDecoder):
        made = 0

        def __init__(self, settings: LinkSettings, *more: Any) -> None:
            super().__init__(settings, *more)
            Stopped.made += 1
            if Stopped.made == 5:
                raise KeyboardInterrupt

    _with_receiver(monkeypatch, Stopped)
    page = tmp_path / "part.xml"
    assert main(["campaign", "emulated", "--only", "vendor.*", "--json", "--junit", str(page)]) == 130
    captured = capsys.readouterr()
    record = json.loads(captured.out)
    assert not record["complete"] and record["verdict"] == "fail"
    assert [case["passed"] for case in record["cases"]] == [True, True, True]
    assert (
        "interrupted; The campaign is incomplete: 3 cases passed, 0 failed; stopped after 3 of"
        in captured.err
    )
    assert b'name="complete" value="false"' in page.read_bytes()


def test_a_receiver_that_raises_is_a_finding() -> None:
    class Broken(LinkDecoder):
        def receive(self, data: Any, now: int = 0) -> list[Event]:
            raise RuntimeError("out of gates")

    campaign = run_campaign(LinkConditions(), [Case(("iq.flip",))], receiver=receiver_of(Broken))
    assert [r.verdict for r in campaign.results] == [Verdict.CRASHED, Verdict.CRASHED]
    assert campaign.results[0].findings[0].text == "RuntimeError: out of gates"


def test_a_receiver_that_never_finds_sync_fails() -> None:
    class Blind(LinkDecoder):
        def receive(self, data: Any, now: int = 0) -> list[Event]:
            return super().receive(bytes(len(data)), now)

    (result,) = run_campaign(LinkConditions(), [], receiver=receiver_of(Blind)).results
    assert result.verdict is Verdict.UNSYNCED


# --- verdicts ---------------------------------------------------------------------------------------------

CLEAN = Observation(dict.fromkeys(COUNTERS, 0), (), True)
FCS = FrameReceived(30, 0, 30, Plane.HDLC, FrameStatus.FCS, b"abc", b"12")


def words(
    expectation: Expectation, moved: dict[str, int], events: Sequence[Timed] = (), *, in_sync: bool = True
) -> list[Verdict]:
    seen = Observation(CLEAN.counters | moved, events, in_sync)
    return [f.verdict for f in judge(Declared(expectation), CLEAN, seen, 24)]


def test_a_counter_must_move_by_just_so_much() -> None:
    one = Expectation({"hdlc_fcs_errors": 1}, within_hyperframes=10)
    assert words(one, {"hdlc_fcs_errors": 1}) == []
    assert words(one, {}) == [Verdict.MISSED]
    assert words(one, {"hdlc_fcs_errors": 2}) == [Verdict.MISCOUNTED]
    assert words(one, {"hdlc_fcs_errors": 1, "hfn_invalid": 1}) == [Verdict.SIDE_EFFECT]
    assert words(one, {"hdlc_fcs_errors": 1}, in_sync=False) == [Verdict.NOT_RECOVERED]


def test_good_frames_of_another_plane_are_a_side_effect_too() -> None:
    assert words(Expectation({"vendor_changes": 1}), {"vendor_changes": 1, "hdlc_frames": -1}) == [
        Verdict.SIDE_EFFECT
    ]


def test_ranges_bound_a_sum() -> None:
    both = Expectation(ranges=(Range(("code_violations", "disparity_errors"), 1, 2),))
    assert words(both, {"code_violations": 1, "disparity_errors": 1}) == []
    assert words(both, {}) == [Verdict.MISSED]
    assert words(both, {"code_violations": 3}) == [Verdict.MISCOUNTED]
    still = Expectation(ranges=(Range(("los_events",), 0, 0),))
    assert words(still, {"los_events": 1}) == [Verdict.SIDE_EFFECT]


def test_late_is_counted_from_the_fault() -> None:
    timed = [Timed(30, FCS)]
    for within, verdict in ((6, []), (5, [Verdict.LATE])):
        expectation = Expectation({"hdlc_fcs_errors": 1}, within_hyperframes=within)
        assert words(expectation, {"hdlc_fcs_errors": 1}, timed) == verdict


def test_alarms_must_come_and_go() -> None:
    alarm = (Alarm.LOF, Origin.LOCAL)
    expectation = Expectation(cleared=(alarm,))
    assert words(expectation, {}) == [Verdict.MISSED]
    assert words(expectation, {}, [Timed(27, AlarmCleared(27, *alarm))]) == []
    assert words(Expectation(raised=(alarm,)), {}) == [Verdict.MISSED]


def test_faults_together_add_up() -> None:
    conditions = LinkConditions()

    def expectation(*texts: str) -> Expectation:
        faults = [replace(parse_fault(text), hyperframe=24) for text in texts]
        return declare(faults, conditions, 80).expectation

    both = expectation("vendor.value", "vendor.flip:ns=30")
    assert both.exact == {"vendor_changes": 3}
    mixed = expectation("line.flip", "line.violation:count=2")
    assert mixed.exact == {}
    assert mixed.ranges[0] == Range(("code_violations", "disparity_errors"), 3, 4)
    loose = expectation("sync.comma:count=3", "vendor.value")
    assert loose.ranges[0].counters == ("vendor_changes",) and loose.ranges[0].low == 1
    assert "vendor_changes" not in loose.tolerated


# --- what was sent ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", [None, *(form for form in LineForm if form is not LineForm.BLOCKS)])
def test_the_octets_around_a_damage_are_those_sent(form: LineForm | None) -> None:
    conditions = LinkConditions() if form is None else LinkConditions(crafted=True, form=form)
    fault = parse_fault("vendor.value@24:ns=20,xs=1,y=0,value=0xA5")
    sent = transmit(conditions, [fault], 32)
    offset = sent.placed[0].offset_octets
    assert offset == 24 * 8192 + (20 + 64) * 32
    first, octets = around(sent, offset)
    assert len(octets) == 33 and octets[offset - first] == "A5"


def test_special_characters_and_broken_symbols_are_marked() -> None:
    sent = transmit(LinkConditions(), [parse_fault("line.violation@8:x=255,w=15,y=1")], 16)
    offset = sent.placed[0].offset_octets
    assert offset == 9 * 8192 - 1
    _, octets = around(sent, offset, 2)
    assert octets[2:4] == ["!!", "BCK"]


# --- inject -----------------------------------------------------------------------------------------------


def test_inject_says_what_moved(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inject", "emulated", "--fault", "sync.hfn@33", "--fault", "vendor.value@33"]) == 0
    text = capsys.readouterr().out
    assert "injected  sync.hfn@33:value=200" in text
    assert "observed  hfn_invalid +1" in text and "observed  vendor_changes +1" in text
    assert "detected" in text


def test_inject_fails_where_the_receiver_does(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from monitor.commands import inject

    monkeypatch.setattr(inject, "OWN_DECODER", receiver_of(Deaf))
    assert main(["inject", "emulated:pair", "--fault", "hdlc.fcs", "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert (record["schema"], record["verdict"]) == ("framefray.inject/1", "missed")
    assert record["damage"][0]["octets"]


@pytest.mark.parametrize("fault", ["hdlc.fsc", "hdlc.fcs@1", "vendor.value:ns=50", "hdlc.fcs@x"])
def test_inject_refuses_what_cannot_be(fault: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inject", "emulated", "--fault", fault]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_running_board_counts_from_what_came(capsys: pytest.CaptureFixture[str]) -> None:
    from monitor.commands import inject

    inject._tell_place("vendor.flip", 700)
    assert not capsys.readouterr().err
    inject._tell_place("vendor.flip@1000", 700)
    assert "waiting for 300 hyperframes" in capsys.readouterr().err
    with pytest.raises(InputError, match="hyperframe 700 has passed; the board is at hyperframe 700"):
        inject._tell_place("vendor.flip@700", 700)


# --- bit errors -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ratio", "seed"), [(1e-6, 1), (1e-5, 2), (4e-5, 3)])
def test_bit_errors_lie_in_the_binomial_interval(ratio: float, seed: int) -> None:
    """Binomial interval from scipy; one line bit in error gives one or two code events (802.3 clause 36.2.4.6)."""
    seen = measure_bit_errors(ratio, 250, seed=seed)
    low, high = stats.binom.interval(0.999, seen.bits, ratio)
    assert low <= seen.counted <= high
    assert seen.counted == seen.put_in
    assert seen.expected_range == (low, high) and seen.plausible
    assert 0.9 * seen.counted <= seen.code_events <= 2 * seen.counted
    assert seen.upper_bound == pytest.approx(stats.beta.ppf(0.95, seen.counted + 1, seen.bits - seen.counted))


def test_a_ratio_that_loses_the_signal_is_refused() -> None:
    with pytest.raises(InputError, match="bit error ratio"):
        measure_bit_errors(1e-3)


def test_who_serves_nothing_passes_nothing() -> None:
    class Silent:
        serves = ()

        def __init__(self, option: str, form: str) -> None: ...
        def receive(self, data: bytes) -> None: ...

    baseline = Baselines(LinkConditions(option="1"), receivers.receiver_of(Silent)).baseline()
    assert baseline.verdict is Verdict.LEFT_OUT
    assert "does not serve any plane" in baseline.findings[0].text
