"""Link-up: times in line time, and a reset that a board does not count."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.settings import SenderSettings
from monitor.acceptance.captures import CaptureKeeper
from monitor.acceptance.link_up import follow_restart
from monitor.acceptance.results import AcceptanceOutcome
from monitor.acceptance.rig import Restart, StreamPoint
from monitor.emulation.line_writer import open_line_writer
from monitor.emulation.sender import EmulatedSender
from monitor.sources.source import UNKNOWN_GAP, Chunk, Injection
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of, usual_stage


def row(**changes: Any) -> dict[str, Any]:
    usual = {
        "reset": 1, "point": "p", "sync_ms": 0.3, "operation_ms": 10.4, "resolution_ms": 0.13, "state": "F",
        "inverted": False, "rai_raised_after": None, "rai_cleared": None, "watches_rai": False, "alignment": 3,
        "version": 1, "hdlc_rate_code": 3, "pointer_p": 40, "reset_counted": None,
    }  # fmt: skip
    return usual | changes


def failing(*rows: dict[str, Any]) -> list[str]:
    plan = short_plan("link_up", settings={"link_up": f"resets = {len(rows)}"})
    raw = {"rows": [each | {"reset": number} for number, each in enumerate(rows, 1)]}
    return [check.name for check in result_of(plan, raw).failed_checks]


@pytest.mark.parametrize(
    ("changes", "check"),
    [
        ({}, None),
        ({"sync_ms": None, "operation_ms": None}, "hyperframe sync"),
        ({"sync_ms": 101.0}, "hyperframe sync"),
        ({"operation_ms": 1001.0}, "operation"),
        ({"inverted": True}, "polarity"),
        ({"reset_counted": False}, "resets seen"),
        ({"reset_counted": True}, None),
        ({"watches_rai": True, "rai_raised_after": 2, "rai_cleared": True}, None),
        ({"watches_rai": True, "rai_raised_after": None, "rai_cleared": False}, "RAI from the remote end"),
        ({"watches_rai": True, "rai_raised_after": 31, "rai_cleared": True}, "RAI from the remote end"),
        ({"watches_rai": True, "rai_raised_after": 2, "rai_cleared": False}, "RAI from the remote end"),
    ],
)
def test_a_row_and_the_check_that_fails(changes: dict[str, Any], check: str | None) -> None:
    names = failing(row(), row(**changes))
    assert (check in names) if check else not names


def test_a_time_with_a_gap_of_unknown_length_in_it_is_not_known() -> None:
    plan = short_plan("link_up", settings={"link_up": "resets = 1"})
    rows = follow_restart(Restart(WithGap()), 1, 1000.0, CaptureKeeper(None, "", WithGap.points))
    result = result_of(plan, {"rows": rows})
    assert result.outcome is AcceptanceOutcome.NOT_TESTED, lines_of(result)
    assert "so the time is not known" in result.reason


class WithGap:
    """What a board receives, with a gap of unknown length before the second chunk."""

    points = (StreamPoint("board", "2", LineForm.OCTETS),)

    def read(self) -> Iterator[tuple[int, Chunk]]:
        sender = EmulatedSender(SenderSettings(option="2", hdlc_rate_code=3), 1)
        writer = open_line_writer(LineForm.OCTETS, option_named("2"))
        for number in range(1000):
            yield 0, Chunk(writer.write(sender.batch(25)), 0, 0, UNKNOWN_GAP if number == 1 else 0)

    def inject(self, text: str) -> Injection:
        raise NotImplementedError


def test_fewer_resets_than_asked_for_are_no_pass() -> None:
    result = result_of(short_plan("link_up", settings={"link_up": "resets = 3"}), {"rows": [row()]})
    assert result.outcome is AcceptanceOutcome.FAIL and "1 reset measured" in lines_of(result)


def test_times_of_the_emulated_link_are_those_of_the_machine() -> None:
    """Four sync bytes for HFNSYNC; state F one 10 ms frame after the last change (model)."""
    rows = usual_stage("link_up").raw["rows"]
    for each in rows:
        assert 3 / 15 <= each["sync_ms"] <= 6 / 15
        assert 10.0 <= each["operation_ms"] <= 11.0


def test_alignments_differ_from_reset_to_reset() -> None:
    rows = stage_of(short_plan("link_up", settings={"link_up": "resets = 4"})).raw["rows"]
    assert len({each["alignment"] for each in rows}) > 1
