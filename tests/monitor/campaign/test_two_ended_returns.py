"""What must come back to the board that transmits a fault (CPRI clauses 4.2.10 and 4.2.7.6.1)."""

from __future__ import annotations

import pytest

from decoders.counters import COUNTERS
from decoders.events import Alarm, Origin
from decoders.linerates import option_named
from monitor.campaign.two_ended_returns import Returned, alarms_due, is_controller, returned, went_dark
from monitor.faults.catalogue import parse_fault
from monitor.faults.kinds import Context, Expectation
from monitor.faults.together import UNBOUNDED
from monitor.faults.verdict import Observation

RAI, LOS, LOF, RESET = ((alarm, Origin.REMOTE) for alarm in (Alarm.RAI, Alarm.LOS, Alarm.LOF, Alarm.RESET))


def expectation(text: str) -> Expectation:
    context = Context(option_named("2"), following=400, preceding=24, hfn=10, pointer_p=40, hdlc_rate_code=3)
    return parse_fault(text).expectation(context)


def bounds(back: Expectation) -> list[tuple[tuple[str, ...], int, int]]:
    return [(r.counters, r.low, r.high) for r in back.ranges]


@pytest.mark.parametrize(
    "text", ["hdlc.fcs", "ethernet.code", "vendor.flip", "iq.flip", "sync.hfn", "l1.rai", "l1.sdi", "l1.los",
             "l1.lof", "sync.comma:count=2", "line.violation:count=15"]
)  # fmt: skip
def test_nothing_comes_back_of_what_raises_no_alarm_there(text: str) -> None:
    back = returned(expectation(text), controller=True)
    assert back.benign and not back.raised and set(back.allowed) == {"hdlc_frames", "ethernet_frames"}


def test_los_comes_back_as_rai_los_and_lof() -> None:
    back = returned(expectation("line.violation:count=16"), controller=True)
    assert set(back.raised) == set(back.cleared) == {RAI, LOS, LOF}
    assert bounds(back) == [(("l1_alarm_changes",), 6, 8)]


def test_loss_of_frame_alone_comes_back_without_los() -> None:
    back = returned(expectation("sync.comma:count=3"), controller=True)
    assert set(back.raised) == set(back.cleared) == {RAI, LOF}
    assert bounds(back) == [(("l1_alarm_changes",), 4, 4)]


def test_an_alarm_that_may_come_may_come_back_and_need_not() -> None:
    back = returned(Expectation(tolerated={"los_events": "perhaps"}), controller=True)
    assert back.benign and not back.raised
    assert bounds(back) == [(("l1_alarm_changes",), 0, UNBOUNDED)]


@pytest.mark.parametrize(
    ("controller", "raised", "low"), [(True, {RESET}, 2), (None, set(), 0)], ids=["REC", "not known"]
)
def test_a_reset_request_of_an_rec_is_acknowledged(
    controller: bool | None, raised: set[tuple[Alarm, Origin]], low: int
) -> None:
    back = returned(expectation("l1.reset:hyperframes=10"), controller)
    assert set(back.raised) == raised
    assert (("l1_alarm_changes",), low, 2) in bounds(back) and (("reset_requests",), 0, 1) in bounds(back)


def test_no_acknowledgement_of_nine_hyperframes_nor_of_an_re() -> None:
    for text, controller in (("l1.reset:hyperframes=9", True), ("l1.reset:hyperframes=10", False)):
        back = returned(expectation(text), controller)
        assert back.benign and not back.ranges


def test_the_name_tells_an_rec_from_an_re() -> None:
    names = ("REC-A", "rec2", "RE-1", "re3", "BENCH")
    assert [is_controller(name) for name in names] == [True, True, False, False, None]


def test_an_uplink_that_goes_down_with_the_downlink_is_seen() -> None:
    lost, still = expectation("line.violation:count=16"), expectation("hdlc.fcs")
    dark = Observation(dict.fromkeys(COUNTERS, 0) | {"lof_events": 1})
    assert alarms_due(lost) and went_dark(lost, dark)
    assert not went_dark(still, dark) and not went_dark(lost, Observation(dict.fromkeys(COUNTERS, 0)))


def test_the_report_names_the_alarms_that_had_to_come() -> None:
    back = returned(expectation("sync.comma:count=3"), controller=True)
    assert Returned("REC-A", back, {}).required == {"rai_remote": "raised", "lof_remote": "raised"}
