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


def test_line_code_is_told_where_the_board_sends_it() -> None:
    flags = r.LineCodeFlag.FEC_LOCK | r.LineCodeFlag.PHASE_KNOWN
    code = r.LineCodeStatus(1, flags, 4910, 7, 80, 1, 2, 9, 1, 0, 0)
    record = status_record(STATUS, code)
    told = {key: record[key] for key in ("protocol_version", "fec_lock", "codeword_phase_bits", "seed")}
    assert told == {"protocol_version": 1, "fec_lock": True, "codeword_phase_bits": 4910, "seed": None}
    assert (record["block_header_errors"], record["fec_corrected_symbols"]) == (80, 9)
    unknown = status_record(STATUS, r.LineCodeStatus(0, r.LineCodeFlag.SEED_KNOWN, 3, 0, *[0] * 7))
    assert (unknown["protocol_version"], unknown["codeword_phase_bits"], unknown["seed"]) == (None, None, 0)
    lines = list(status_lines(STATUS, code))
    assert "codeword_phase_bits       4910" in lines and "seed                      -" in lines
    assert "seed" not in status_record(STATUS)
