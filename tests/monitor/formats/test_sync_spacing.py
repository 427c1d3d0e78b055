"""The vote of sync words on the line bit rate option; sizes are CPRI V7.0 Table 3 times 256 basic frames."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.formats.forms import Form
from monitor.formats.sync_spacing import (
    elected_option,
    option_of_spacing,
    paired_positions,
    with_running_hfn,
)

HYPERFRAME_OCTETS = {"1": 4096, "2": 8192, "3": 16384, "4": 20480, "7": 65536}


def test_pairs_are_one_spacing_apart() -> None:
    positions = np.array([3, 5, 13, 23, 40, 50], np.int64)
    assert paired_positions(positions, 10).tolist() == [3, 13, 40]
    assert paired_positions(positions[:1], 10).tolist() == []
    assert paired_positions(positions[:0], 10).tolist() == []


@pytest.mark.parametrize(("option", "octets"), HYPERFRAME_OCTETS.items())
def test_the_spacing_is_the_option(option: str, octets: int) -> None:
    positions = 77 + octets * np.arange(6)
    found = option_of_spacing(positions, 6 * octets, 1, Form.FLAGGED, line_code="8b10b", prefer=None)
    assert found is not None and (found.option, found.spacings, found.clear) == (option, 5, True)


def test_a_line_code_votes_for_its_own_options_only() -> None:
    """Options 7 and 7A have hyperframes of the same size; their line codes differ."""
    positions = 65_536 * np.arange(5)
    names = {
        code: option_of_spacing(positions, 5 * 65_536, 1, Form.FLAGGED, line_code=code, prefer=None)
        for code in ("8b10b", "64b66b")
    }
    assert {code: found and found.option for code, found in names.items()} == {"8b10b": "7", "64b66b": "7A"}


def test_votes_of_chance_and_of_a_periodic_payload_do_not_count() -> None:
    assert elected_option({"2": (3, 3.0, 40)}, Form.BITS, None) is None  # as many as chance gives
    assert elected_option({"2": (400, 3.0, 40)}, Form.BITS, None) is None  # ten a hyperframe
    assert elected_option({"2": (3, 0.0, 40)}, Form.BITS, None) is None  # fewer than a tenth
    found = elected_option({"1": (20, 0.0, 80), "2": (39, 0.0, 40)}, Form.BITS, None)
    assert found is not None and found.option == "1"
    found = elected_option({"1": (20, 0.0, 80), "2": (39, 0.0, 40)}, Form.BITS, "2")
    assert found is not None and found.option == "2"


def test_hyperframe_numbers_count_on_by_one() -> None:
    data = np.zeros(4 * 4096, np.uint8)
    data[1024::4096] = (148, 149, 0, 7)  # Z.64.0 is octet 64 * 16 at option 1
    starts = 4096 * np.arange(4)
    assert with_running_hfn(data, starts, 4096).tolist() == [0, 4096]
    assert with_running_hfn(data, np.array([-5000, 4 * 4096 - 10]), 4096).tolist() == []  # outside the data
