"""Line data in any cut of hyperframes is the same, and what an option does not have is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from decoders.errors import SettingsError
from decoders.line_coding.characters import LineForm
from decoders.link.line_encoder import LineEncoder
from tests.support.link_streams import hyperframes, line_data


@pytest.mark.parametrize(
    ("option", "form", "how"),
    [
        ("2", LineForm.BITS, {"lead_bits": 3}),
        ("4", LineForm.SYMBOLS, {}),
        ("6", LineForm.FLAGGED, {"seed": 99}),
        ("7A", LineForm.BITS, {"lead_bits": 65}),
        ("7A", LineForm.BLOCKS, {}),
        ("7A", LineForm.BITS, {"fec": True, "lead_bits": 1001}),
    ],
)
def test_the_cut_of_hyperframes_makes_no_difference(option: str, form: LineForm, how: dict[str, Any]) -> None:
    made = hyperframes(option, 5)
    each = len(made.special) // 5
    encoder = LineEncoder(option, form, **how)
    parts = [
        encoder.encode(made.octets[a:b], made.special[: each * (b - a)])
        for a, b in ((0, 1), (1, 3), (3, 3), (3, 5))
    ]
    assert b"".join(parts) + encoder.finish() == line_data(made, form, **how)


def test_sizes_follow_from_the_line_code() -> None:
    """66 bits for 64 (802.3 clause 49), 80 blocks in 5280 bits of a codeword (clause 91)."""
    made = hyperframes("8", 2)
    bits = len(line_data(made, LineForm.BITS)) * 8
    assert bits == made.octets.size // 8 * 66
    assert len(line_data(made, LineForm.BITS, fec=True)) * 8 == bits  # 256 codewords, nothing is left
    assert len(line_data(made, LineForm.BLOCKS)) == made.octets.size // 8 * 9


def test_a_codeword_that_is_not_full_is_filled_up() -> None:
    made = hyperframes("7A", 1)
    assert len(line_data(made, LineForm.BITS, fec=True)) == 103 * 660  # 102.4 codewords


def test_flags_mark_the_special_characters() -> None:
    made = hyperframes("7A", 1)
    words = np.frombuffer(line_data(made, LineForm.FLAGGED), "<u2")
    assert np.flatnonzero(words >> 8).tolist() == [7, 8]
    assert words[[7, 8]].tolist() == [0x1FD, 0x1FB]


@pytest.mark.parametrize(
    ("option", "form", "how"),
    [
        ("2", LineForm.BLOCKS, {}),
        ("8", LineForm.SYMBOLS, {}),
        ("7", LineForm.BITS, {"fec": True}),
        ("8", LineForm.BITS, {"seed": 1}),
        ("4", LineForm.BITS, {"seed": 1}),
    ],
)
def test_what_an_option_does_not_have_is_refused(option: str, form: LineForm, how: dict[str, Any]) -> None:
    with pytest.raises(SettingsError, match=r"options? "):
        LineEncoder(option, form, **how)
