"""Which reader a data format of 64B/66B gets."""

from __future__ import annotations

import pytest

from decoders.errors import SettingsError
from decoders.line_coding.block_forms import FecChoice, open_block_reader
from decoders.line_coding.block_lock import LockSettings
from decoders.line_coding.block_readers import BlockBitReader, BlockReader, FlaggedBlockReader
from decoders.line_coding.characters import LineForm, OctetReader
from decoders.line_coding.fec_reader import AutomaticBitReader, FecBitReader


@pytest.mark.parametrize(
    ("form", "fec", "kind"),
    [
        (LineForm.BITS, FecChoice.AUTO, AutomaticBitReader),
        (LineForm.BITS, FecChoice.ON, FecBitReader),
        (LineForm.BITS, FecChoice.OFF, BlockBitReader),
        (LineForm.BLOCKS, FecChoice.AUTO, BlockReader),
        (LineForm.FLAGGED, FecChoice.OFF, FlaggedBlockReader),
        (LineForm.OCTETS, FecChoice.AUTO, OctetReader),
    ],
)
def test_each_form_has_its_reader(form: LineForm, fec: FecChoice, kind: type) -> None:
    assert type(open_block_reader(form, LockSettings(), fec)) is kind


def test_lock_counts_reach_the_reader() -> None:
    reader = open_block_reader(LineForm.BITS, LockSettings(32, 8), FecChoice.OFF)
    assert isinstance(reader, BlockBitReader)
    assert reader.lock.settings == LockSettings(32, 8)


@pytest.mark.parametrize("form", [LineForm.BLOCKS, LineForm.FLAGGED, LineForm.OCTETS])
def test_fec_is_in_line_bits_only(form: LineForm) -> None:
    with pytest.raises(SettingsError, match="FEC is in the form bits only"):
        open_block_reader(form, LockSettings(), FecChoice.ON)
