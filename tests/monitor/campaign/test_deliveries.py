"""What arrives is held against what was sent: each way in which a delivery can be wrong has its word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decoders.events import Event, FrameReceived, FrameStatus, OctetsChanged, Plane
from monitor.campaign.deliveries import delivered_otherwise
from monitor.campaign.due import Due
from monitor.campaign.facts import facts_of
from monitor.faults.verdict import Timed, Verdict

FRAMES = [
    FrameReceived(at, 0, at, Plane.HDLC, FrameStatus.GOOD, bytes([at, 3, 7]), b"ab") for at in (5, 6, 6, 9)
]
FRAMES[2] = replace(FRAMES[2], data=b"another")
CHANGE = OctetsChanged(8, Plane.VENDOR, bytes((20, 1, 0)), b"\0", b"\xa5")


def due() -> Due:
    return Due(facts=list(facts_of(timed([*FRAMES, CHANGE]))))


def timed(events: list[Event]) -> list[Timed]:
    return [Timed(event.hyperframe, event) for event in events]


def words(events: list[Event]) -> list[Verdict]:
    return [f.verdict for f in delivered_otherwise(due(), timed(events), frozenset(Plane))]


def test_what_was_sent_is_no_finding() -> None:
    assert words([*FRAMES, CHANGE]) == []


@pytest.mark.parametrize(
    ("events", "verdict"),
    [
        ([*FRAMES[:3], CHANGE], Verdict.LOST),
        ([*FRAMES, FRAMES[3], CHANGE], Verdict.EXTRA),
        ([FRAMES[0], FRAMES[2], FRAMES[1], FRAMES[3], CHANGE], Verdict.UNTRUE),  # another order
        ([*FRAMES[:3], replace(FRAMES[3], data=b"\x09\x03"), CHANGE], Verdict.CORRUPTED),
        ([*FRAMES[:3], replace(FRAMES[3], hyperframe=10), CHANGE], Verdict.MISPLACED),
        ([*FRAMES, replace(CHANGE, places=bytes((20, 2, 0)))], Verdict.MISPLACED),
        ([*FRAMES, replace(CHANGE, new=b"\xa4")], Verdict.CORRUPTED),
    ],
)
def test_each_way_to_be_wrong_has_its_word(events: list[Event], verdict: Verdict) -> None:
    assert words(events) == [verdict]


def test_expected_and_observed_stand_side_by_side() -> None:
    wrong = replace(CHANGE, new=b"\xa4")
    (finding,) = delivered_otherwise(due(), timed([*FRAMES, wrong]), frozenset(Plane))
    assert finding.expected == "Ns 20 Xs 1 Y 0: 00 -> A5 at hf 8"
    assert finding.observed == "Ns 20 Xs 1 Y 0: 00 -> A4 at hf 8"
    assert finding.plane is Plane.VENDOR


def test_planes_that_are_not_delivered_are_not_held() -> None:
    assert delivered_otherwise(due(), [], frozenset()) == []
    (finding,) = delivered_otherwise(due(), [], frozenset((Plane.VENDOR,)))
    assert finding.verdict is Verdict.LOST
