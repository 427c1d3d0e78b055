"""The status of a board as a record and as lines."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.protocol import records as r
from monitor.reports.board_status import status_lines, status_record
from tests.support.said_boards import STATUS


@pytest.mark.parametrize(
    ("code", "word"), [(0, "none"), (1, "octets"), (2, "flagged"), (3, "control"), (9, "type 9")]
)
def test_every_type_of_line_data_has_a_word(code: int, word: str) -> None:
    assert status_record(replace(STATUS, data_type=code))["data"] == word


def test_what_the_board_does_not_know_is_a_dash() -> None:
    lines = list(status_lines(replace(STATUS, option=None, alignment_bits=None)))
    assert "option            -" in lines and "alignment_bits    -" in lines
    assert lines[0] == "name              X-1"
    assert len(lines) == len(status_record(STATUS)) - 1


def test_flags_are_told_one_by_one() -> None:
    record = status_record(replace(STATUS, flags=r.StatusFlag.LOS | r.StatusFlag.TRANSMITTER_ON))
    told = {key: record[key] for key in ("los", "lof", "transmitter_on", "receiver_ready")}
    assert told == {"los": True, "lof": False, "transmitter_on": True, "receiver_ready": False}
