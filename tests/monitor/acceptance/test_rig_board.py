"""A board on a TCP port as a rig: every stage that can be seen there, and the reason for those that cannot."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.results import AcceptanceOutcome, StageResult
from monitor.acceptance.rig_board import BoardRig
from monitor.errors import InputError
from tests.support.acceptance import lines_of, short_plan, stage_of
from tests.support.boards import running_board

BOARD = """[board]
iq_map = "M=15,fs=15.36,n=2"
tone_hz = [200000, 400000]
level_dbfs = -12
"""


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with running_board("--tcp", "127.0.0.1:0", "--seed", "1") as (source, _):
        yield source


def on_board(url: str, kind: str, settings: str, more: str = "") -> StageResult:
    return stage_of(short_plan(kind, source=url, settings={kind: settings}, more=more))


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("link_up", "resets = 1"),
        ("quiet", "hyperframes = 150"),
        ("loopback", "hyperframes = 150"),
        ("ber", "bound = 1e-6"),
        ("vendor", "places = 1"),
        ("cm_integrity", "frames = 20"),
        ("campaign", 'only = ["vendor.flip"]'),
        ("delay", "resets = 2"),
        ("iq_integrity", "hyperframes = 50"),
    ],
)
def test_a_stage_passes_on_a_right_board(url: str, kind: str, settings: str) -> None:
    result = on_board(url, kind, settings, BOARD if kind == "iq_integrity" else "")
    assert result.outcome is AcceptanceOutcome.PASS, lines_of(result)


@pytest.mark.parametrize(
    ("kind", "settings", "reason"),
    [
        ("iq_integrity", "hyperframes = 50", "no tone in the IQ data"),
        ("rates", "hyperframes = 150", "no command that changes the line rate"),
        ("ber", 'method = "pn"', "no PN sequence"),
    ],
)
def test_what_cannot_be_seen_on_a_board_is_not_tested(
    url: str, kind: str, settings: str, reason: str
) -> None:
    result = on_board(url, kind, settings)
    assert result.outcome is AcceptanceOutcome.NOT_TESTED and reason in result.reason


def test_a_board_that_does_not_answer_is_an_input_error() -> None:
    with pytest.raises(InputError):
        open_rig(short_plan("quiet", source="socket://127.0.0.1:9")).check_present()


def test_every_stage_that_touches_a_board_is_told() -> None:
    assert set(BoardRig.touches) == {"link_up", "loopback", "cm_integrity", "vendor", "campaign", "delay"}
