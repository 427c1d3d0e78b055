"""The emulated chain as a rig: every point, and what goes in at one end against what comes out at the other."""

from __future__ import annotations

import pytest

from decoders.events import Plane
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.plan import parse_acceptance_plan
from monitor.acceptance.results import AcceptanceOutcome
from monitor.acceptance.rig_chain import ChainRig, ForwardedFrames
from monitor.errors import InputError
from tests.support.acceptance import lines_of, short_plan, stage_of

POINTS = {"REC-A>RE-1", "RE-1>RE-2", "RE-2>RE-3", "RE-3>RE-2", "RE-2>RE-1", "RE-1>REC-A"}


def test_the_quiet_run_names_the_point_where_an_error_lies() -> None:
    faults = 'faults = ["line.flip@110:segment=RE-1>RE-2"]'
    plan = short_plan(
        "quiet", source="emulated:chain", emulated=faults, settings={"quiet": "hyperframes = 150"}
    )
    result = stage_of(plan)
    assert {check.name.removeprefix("errors at ") for check in result.checks} >= POINTS
    assert [check.name for check in result.failed_checks] == ["errors at RE-1>RE-2"], lines_of(result)


@pytest.mark.slow
def test_a_dark_segment_comes_up_again_and_the_far_end_answers() -> None:
    result = stage_of(short_plan("link_up", source="emulated:chain", settings={"link_up": "resets = 1"}))
    assert result.passed, lines_of(result)
    assert "RAI from the remote end" in [check.name for check in result.checks if check.passed]


@pytest.mark.slow
def test_frames_and_iq_data_come_through_the_whole_chain() -> None:
    short = {"cm_integrity": 'frames = 10\nplanes = ["ethernet"]', "iq_integrity": "hyperframes = 20"}
    plan = short_plan("iq_integrity", "cm_integrity", source="emulated:chain", settings=short)
    iq, frames = stage_of(plan, 1), stage_of(plan, 2)
    assert iq.passed and iq.raw["compared_octets"] > 0 and iq.raw["point"] == "RE-2>RE-3", lines_of(iq)
    assert frames.passed and frames.raw["planes"]["ethernet"]["sent"] == 10, lines_of(frames)


def test_what_the_first_receiver_did_not_get_was_sent_all_the_same() -> None:
    """It is what the last one is held to, and must not hide what its own segment lost."""
    plan = short_plan(
        "cm_integrity",
        source="emulated:chain",
        emulated='faults = ["line.dark@40:hyperframes=30,segment=REC-A>RE-1"]',
        settings={"cm_integrity": 'frames = 30\nplanes = ["ethernet"]'},
    )
    result = stage_of(plan)
    assert [check.name for check in result.failed_checks] == ["ethernet frames"], lines_of(result)


@pytest.mark.parametrize("kind", ["loopback"])
def test_what_a_chain_cannot_show_is_not_tested(kind: str) -> None:
    result = stage_of(short_plan(kind, source="emulated:chain"))
    assert result.outcome is AcceptanceOutcome.NOT_TESTED and "needs one board" in result.reason


def test_a_behaviour_that_the_chain_does_not_have_is_refused() -> None:
    with pytest.raises(InputError, match=r"emulated\.swapped_pair is for emulated and emulated:pair"):
        ChainRig(parse_acceptance_plan('source = "emulated:chain"\n[emulated]\nswapped_pair = true\n'))
    with pytest.raises(InputError, match="8B/10B"):
        open_rig(parse_acceptance_plan('source = "emulated:chain"\noption = "8"\n'))


def test_forwarded_frames_are_told_by_their_order() -> None:
    """Alike frames are told apart by place; one that is missing leaves a gap, one twice goes back."""
    known = ForwardedFrames()
    for data in (b"a", b"b", b"b", b"c", b"d"):
        known.expect(Plane.HDLC, data)
    assert known.number(Plane.HDLC, b"x") is None and known.on_its_way_before(Plane.HDLC)
    assert [known.number(Plane.HDLC, data) for data in (b"a", b"b", b"b")] == [0, 1, 2]
    assert known.number(Plane.HDLC, b"d") == 4 and known.came(Plane.HDLC) == 5
    assert known.number(Plane.HDLC, b"c") == 3
    assert not known.on_its_way_before(Plane.HDLC) and known.count(Plane.HDLC) == 5
