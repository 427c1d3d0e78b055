"""Each stage passes on a right link; each seeded defect is caught by the stage that must catch it."""

from __future__ import annotations

import pytest

from monitor.acceptance.results import AcceptanceOutcome, StageResult
from monitor.acceptance.stages import STAGES
from tests.support.acceptance import lines_of, short_plan, stage_of, usual_stage

DEFECTS = [
    # what is wrong, source, [emulated], settings, the stage that must catch it, the check that fails
    (
        "swapped pair",
        "emulated",
        "swapped_pair = true",
        "resets = 1\nsync_within_ms = 20\noperation_within_ms = 20",
        "link_up",
        "polarity",
    ),
    (
        "remote end never answers RAI",
        "emulated:pair",
        "answers_rai = false",
        "resets = 1",
        "link_up",
        "RAI from the remote end",
    ),
    (
        "one inverted bit",
        "emulated",
        'faults = ["line.flip@200"]',
        "hyperframes = 300",
        "quiet",
        "errors at REC-A",
    ),
    (
        "RAI raised once",
        "emulated",
        'faults = ["l1.rai@200:hyperframes=3"]',
        "hyperframes = 300",
        "quiet",
        "errors at REC-A",
    ),
    (
        "error floor above the bound",
        "emulated",
        "ber = 1e-5",
        "bound = 1e-6",
        "ber",
        "bit error ratio at REC-A",
    ),
    (
        "a frame in 50 dropped",
        "emulated",
        "drop_frame_every = 50",
        "frames = 60",
        "cm_integrity",
        "ethernet frames",
    ),
    (
        "IQ level off",
        "emulated",
        "iq_gain_db = -0.5",
        "hyperframes = 50",
        "iq_integrity",
        "level of A0",
    ),
    (
        "noise in IQ",
        "emulated",
        "ber = 1e-4",
        "hyperframes = 50",
        "iq_integrity",
        "samples",
    ),
    (
        "compensation missing",
        "emulated",
        'compensation = "missing"',
        "resets = 20",
        "delay",
        "delay through resets",
    ),
    (
        "wrong sign",
        "emulated:pair",
        'compensation = "wrong-sign"',
        "resets = 20",
        "delay",
        "delay through resets",
    ),
    (
        "off by one",
        "emulated",
        'compensation = "off-by-one"',
        "resets = 40",
        "delay",
        "delay through resets",
    ),
    (
        "slow drift",
        "emulated",
        "drift_clocks = 2",
        "resets = 40",
        "delay",
        "delay through resets",
    ),
    (
        "a step of one clock and more",
        "emulated",
        "step_clocks = 2",
        "resets = 20",
        "delay",
        "delay through resets",
    ),
    (
        "fibre too long",
        "emulated",
        "length_m = 400",
        "resets = 5\nmost_ns = 1000",
        "delay",
        "one-way delay budget",
    ),
    (
        "receiver counts no wrong HDLC FCS",
        "emulated",
        'receiver = "tests.support.acceptance_receivers:HdlcBlind"',
        'only = ["hdlc.fcs"]',
        "campaign",
        "cases",
    ),
    (
        "errors in the soak",
        "emulated",
        'faults = ["line.flip@200"]',
        "seconds = 0.02",
        "soak",
        "errored seconds at REC-A",
    ),
]


@pytest.mark.parametrize(
    ("what", "source", "emulated", "settings", "kind", "check"), DEFECTS, ids=[d[0] for d in DEFECTS]
)
def test_a_defect_is_caught_by_its_stage(
    what: str, source: str, emulated: str, settings: str, kind: str, check: str
) -> None:
    result = stage_of(short_plan(kind, source=source, emulated=emulated, settings={kind: settings}))
    assert result.outcome is AcceptanceOutcome.FAIL, lines_of(result)
    assert check in [each.name for each in result.failed_checks], lines_of(result)


@pytest.mark.parametrize("kind", STAGES)
def test_each_stage_passes_on_a_right_link(kind: str) -> None:
    result = usual_stage(kind)
    assert result.outcome is AcceptanceOutcome.PASS, lines_of(result)


def test_stages_of_a_pair_see_both_directions() -> None:
    result = stage_of(short_plan("quiet", source="emulated:pair"))
    assert result.passed and {"errors at REC-A>RE-1", "errors at RE-1>REC-A"} <= {
        c.name for c in result.checks
    }


def unseen(result: StageResult) -> list[str]:
    return [check.name for check in result.checks if check.outcome is AcceptanceOutcome.NOT_TESTED]


def test_what_a_passed_stage_could_not_see_is_said() -> None:
    assert "RAI from the remote end" in unseen(usual_stage("link_up"))
    assert "receiver under test" in unseen(usual_stage("campaign"))


def test_a_loopback_of_a_pair_is_not_tested() -> None:
    result = stage_of(short_plan("loopback", source="emulated:pair"))
    assert result.outcome is AcceptanceOutcome.NOT_TESTED and "needs one board" in result.reason
