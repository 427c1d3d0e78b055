"""Findings of planes that a receiver does not serve are no findings."""

from __future__ import annotations

from decoders.events import Plane
from monitor.campaign.served import Served, only_served
from monitor.faults.verdict import Finding, Verdict

ALARM = Finding(Verdict.MISSED, None, "alarm RAI (remote): expected raised, not observed", Plane.L1)
COUNTER = Finding(Verdict.MISSED, "hdlc_fcs_errors", "expected +1, observed +0")


def test_an_alarm_is_expected_of_who_delivers_its_plane() -> None:
    everything = Served()
    slow_only = Served(frozenset((Plane.HDLC,)), frozenset((Plane.HDLC,)))
    counting_l1 = Served(frozenset((Plane.L1,)), frozenset())
    assert only_served([ALARM, COUNTER], everything) == [ALARM, COUNTER]
    assert only_served([ALARM, COUNTER], slow_only) == [COUNTER]
    assert only_served([ALARM, COUNTER], counting_l1) == []
