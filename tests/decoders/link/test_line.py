"""The line by line code and form: which reader it gets, and what is told of its alignment."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.counters import COUNTERS
from decoders.errors import SettingsError
from decoders.events import AlignmentChanged
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.block_sync_places import BlockPlaces
from decoders.link.line import FecReading, LinkLine
from decoders.link.line_errors import BlockLineErrors
from decoders.link.parts import LinkParts
from decoders.link.settings import LinkSettings
from decoders.link.sync_places import CommaPlaces
from tests.support.link_streams import hyperframes, line_data


def line(option: str, form: LineForm) -> tuple[LinkLine, dict[str, int]]:
    counters = dict.fromkeys(COUNTERS, 0)
    settings = LinkSettings(option=option, form=form)
    return LinkLine(option_named(option), settings, counters, LinkParts()), counters


def test_the_line_code_decides_what_a_sync_word_is() -> None:
    assert isinstance(line("7", LineForm.BITS)[0].places, CommaPlaces)
    blocks = line("7A", LineForm.BITS)[0]
    assert isinstance(blocks.places, BlockPlaces)
    assert isinstance(blocks.errors, BlockLineErrors)


@pytest.mark.parametrize(("option", "form"), [("7", LineForm.BLOCKS), ("8", LineForm.SYMBOLS)])
def test_a_form_that_the_line_code_does_not_have_is_refused(option: str, form: LineForm) -> None:
    with pytest.raises(SettingsError, match="64B/66B"):
        line(option, form)


@pytest.mark.parametrize(
    ("option", "lead", "fec", "slip"),
    [("2", 27, False, 7), ("7A", 67, False, 1), ("7A", 5000, True, 5000 % 66)],
)
def test_the_first_alignment_is_told(option: str, lead: int, fec: bool, slip: int) -> None:
    part, counters = line(option, LineForm.BITS)
    data = line_data(hyperframes(option), LineForm.BITS, lead_bits=lead, fec=fec)
    part.stream.receive(np.frombuffer(data, np.uint8))
    assert part.read(None) == [AlignmentChanged(None, lead, slip)]
    assert part.read(None) == []
    assert (part.alignment_slip_bits, part.slip_bits) == (slip, slip)
    assert part.fec == (FecReading(False, 5000) if fec else None)
    assert counters["realignments"] == 0


def test_another_offset_is_a_realignment_and_the_first_one_stays() -> None:
    part, counters = line("2", LineForm.BITS)
    data = np.frombuffer(line_data(hyperframes("2"), LineForm.BITS, lead_bits=3), np.uint8)
    bits = np.unpackbits(data, bitorder="little")
    moved = np.packbits(np.concatenate((bits, bits[5:])), bitorder="little")
    part.stream.receive(moved)
    part.read(None)
    part.stream.buffer.join()
    part.stream.realign(6 * 8192)
    (event,) = part.read(9)
    assert isinstance(event, AlignmentChanged)
    assert (event.hyperframe, event.slip_bits) == (9, part.slip_bits)
    assert part.slip_bits != 3
    assert (part.alignment_slip_bits, counters["realignments"]) == (3, 1)


def test_forms_without_an_alignment_tell_nothing() -> None:
    for option, form in (("2", LineForm.FLAGGED), ("7A", LineForm.BLOCKS), ("7A", LineForm.OCTETS)):
        part, _ = line(option, form)
        part.stream.receive(np.frombuffer(line_data(hyperframes(option), form), np.uint8))
        assert part.read(None) == []
        assert part.alignment_slip_bits is None
        assert len(part.stream.buffer) > 0
