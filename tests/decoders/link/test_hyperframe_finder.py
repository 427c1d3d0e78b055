"""Where hyperframes lie in the raw data of every form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_finder import HyperframeFinder, PlacedDecoder, hyperframe_bits
from decoders.link.settings import LinkSettings
from tests.support.link_streams import hyperframes, line_data

CASES: list[tuple[str, LineForm, dict[str, Any], int]] = [
    ("2", LineForm.OCTETS, {}, 0),
    ("2", LineForm.SYMBOLS, {}, 0),
    ("2", LineForm.BITS, {"lead_bits": 47}, 47),
    ("7A", LineForm.FLAGGED, {}, 0),
    ("7A", LineForm.BLOCKS, {}, 0),
    ("7A", LineForm.BITS, {"lead_bits": 65}, 65),
    ("7A", LineForm.BITS, {"lead_bits": 700}, 700),
    ("7A", LineForm.BITS, {"lead_bits": 5001, "fec": True}, 5001),
    ("5", LineForm.OCTETS, {"seed": 12345}, 0),
]


@pytest.mark.parametrize(("option", "form", "how", "lead"), CASES)
def test_every_block_is_where_the_finder_says(
    option: str, form: LineForm, how: dict[str, Any], lead: int
) -> None:
    made = hyperframes(option, 6, version=2 if "seed" in how else 1)
    data = line_data(made, form, **how)
    bits = hyperframe_bits(option, form)
    places: list[tuple[int, int]] = []
    octets = []

    def on_block(block: HyperframeBlock) -> None:
        places.append((block.first, finder.start_bit))
        octets.append(block.octets.copy())

    finder = HyperframeFinder(LinkSettings(option=option, form=form), on_block)
    for start in range(0, len(data), 100_000):
        finder.receive(data[start : start + 100_000])
    finder.finish()
    assert places[0] == (0, lead)
    assert all(place == lead + first * bits for first, place in places)
    assert np.array_equal(np.concatenate(octets), made.octets)
    assert finder.counters["hdlc_frames"] == 0  # no plane is decoded


@pytest.mark.parametrize("option", OPTIONS)
def test_bits_of_a_hyperframe_are_those_of_the_line_rate(option: str) -> None:
    """15 000 hyperframes a second make the line bit rate (CPRI V7.0 Table 3)."""
    assert hyperframe_bits(option, LineForm.BITS) * 15_000 == OPTIONS[option].line_rate_bps
    assert hyperframe_bits(option, LineForm.OCTETS) == 8 * OPTIONS[option].hyperframe_octets


def test_a_placed_decoder_decodes_planes() -> None:
    made = hyperframes("7A", 6)
    decoder = PlacedDecoder(LinkSettings(option="7A", form=LineForm.BLOCKS))
    decoder.receive(line_data(made, LineForm.BLOCKS))
    assert decoder.counters["ethernet_frames"] > 0
    assert decoder.start_bit == 6 * hyperframe_bits("7A", LineForm.BLOCKS)
