"""Running numbers of C&M frames: lost, twice, out of order, not sent."""

from __future__ import annotations

import pytest

from monitor.acceptance.cm_integrity import SequenceWatch
from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of


def watched(
    numbers: list[int], *, sent: int | None = None, first: int | None = 0, modulus: int = 0
) -> dict[str, object]:
    watch = SequenceWatch(first, modulus)
    for number in numbers:
        watch.take(number)
    return {
        k: v for k, v in watch.record(sent).items() if k in ("received", "lost", "duplicated", "reordered")
    }


@pytest.mark.parametrize(
    ("numbers", "sent", "lost", "duplicated", "reordered"),
    [
        ([0, 1, 2, 3], 4, 0, 0, 0),
        ([0, 1, 3], 4, 1, 0, 0),
        ([1, 2, 3], 4, 1, 0, 0),
        ([0, 1], 4, 2, 0, 0),
        ([0, 1, 1, 2, 3], 4, 0, 1, 0),
        ([0, 2, 1, 3], 4, 0, 0, 1),
        ([0, 3, 3, 1], 4, 1, 1, 1),
        ([], 4, 4, 0, 0),
    ],
)
def test_what_came_against_what_was_sent(
    numbers: list[int], sent: int, lost: int, duplicated: int, reordered: int
) -> None:
    assert watched(numbers, sent=sent) == {
        "received": len(numbers), "lost": lost, "duplicated": duplicated, "reordered": reordered
    }  # fmt: skip


def test_numbers_run_over() -> None:
    assert watched([253, 254, 255, 0, 1], first=None, modulus=256)["lost"] == 0
    assert watched([253, 255, 1], first=None, modulus=256)["lost"] == 2


def test_a_frame_of_so_many_that_is_dropped_is_named() -> None:
    result = stage_of(short_plan("cm_integrity", emulated="drop_frame_every = 50"))
    assert result.raw["planes"]["ethernet"]["first_lost"] == [49]
    assert "1 lost; first missing: 49" in lines_of(result)


def test_a_loss_at_the_very_end_is_seen() -> None:
    assert not stage_of(short_plan("cm_integrity", emulated="drop_frame_every = 60")).passed


def test_fewer_frames_than_asked_for_are_no_pass() -> None:
    row = {
        "sent": 10,
        "received": 10,
        "lost": 0,
        "first_lost": [],
        "duplicated": 0,
        "reordered": 0,
        "foreign": 0,
        "damaged": 0,
    }
    result = result_of(short_plan("cm_integrity"), {"planes": {"hdlc": row, "ethernet": row}})
    assert result.outcome is AcceptanceOutcome.FAIL


def test_frames_that_may_lie_in_hyperframes_not_received_are_not_tested() -> None:
    row = {
        "sent": 60,
        "received": 59,
        "lost": 1,
        "first_lost": [7],
        "duplicated": 0,
        "reordered": 0,
        "foreign": 0,
        "damaged": 0,
    }
    plan = short_plan("cm_integrity", settings={"cm_integrity": 'frames = 59\nplanes = ["hdlc"]'})
    assert (
        result_of(plan, {"planes": {"hdlc": row}, "not_received": 3}).outcome is AcceptanceOutcome.NOT_TESTED
    )
    assert result_of(plan, {"planes": {"hdlc": row}, "not_received": 0}).outcome is AcceptanceOutcome.FAIL


def test_a_channel_that_the_link_lacks_is_not_tested() -> None:
    result = stage_of(short_plan("cm_integrity", more="pointer_p = 0"))
    assert result.outcome is AcceptanceOutcome.NOT_TESTED and "no ethernet channel" in result.reason


@pytest.mark.slow
def test_a_board_that_drops_each_10_000th_frame_is_caught_by_the_usual_stage() -> None:
    plan = short_plan("cm_integrity", emulated="drop_frame_every = 10000", settings={"cm_integrity": ""})
    result = stage_of(plan)
    assert [result.raw["planes"][name]["lost"] for name in ("hdlc", "ethernet")] == [2, 2]
