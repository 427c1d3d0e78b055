"""What an emulated board says of its state: alignment, delay count, flags, LINE_CODE."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.block_deserialiser import BlockCounts, BlockDeserialiser
from monitor.emulation.board_state import BoardAlignment, line_code_status, status_flags
from monitor.protocol import records as r


def receiver(option: str) -> LinkDecoder:
    return LinkDecoder(LinkSettings(option, LineForm.FLAGGED))


@pytest.mark.parametrize(("option", "offsets"), [("2", 10), ("7A", 66)])
def test_a_reset_draws_an_offset_and_the_delay_count_makes_up_for_it(option: str, offsets: int) -> None:
    alignment = BoardAlignment(OPTIONS[option], np.random.default_rng(1), fec=False)
    seen = set()
    for _ in range(60 * offsets):
        alignment.draw()
        seen.add(alignment.bits)
        assert abs(alignment.delay_clocks(1000) * offsets + alignment.bits - 1240) <= offsets / 2
    assert seen == set(range(offsets))


def test_rs_fec_adds_up_to_79_blocks() -> None:
    alignment = BoardAlignment(OPTIONS["8"], np.random.default_rng(1), fec=True)
    phases = set()
    for _ in range(1500):
        alignment.draw()
        blocks, offset = divmod(alignment.codeword_phase_bits, 66)
        assert offset == alignment.bits
        assert abs((alignment.delay_clocks(0) - blocks) * 66 + offset - 240) <= 33
        phases.add(blocks)
    assert phases == set(range(80))


def test_bits_on_the_way_move_offset_and_delay() -> None:
    alignment = BoardAlignment(OPTIONS["7A"], np.random.default_rng(1), fec=False)
    before, count = alignment.bits, alignment.delay_clocks(0)
    alignment.move(66 + 3)
    assert alignment.bits == (before + 3) % 66
    assert (alignment.delay_clocks(0) - count) * 66 + alignment.bits - before == pytest.approx(69, abs=33)


def test_flags_say_what_is_known() -> None:
    blocks, flag = BlockDeserialiser(True), r.StatusFlag
    flags = status_flags(receiver("7A"), blocks, r.Loopback.INTERNAL, fec=True)
    assert flags & (flag.FEC | flag.BLOCK_LOCK | flag.LOF) == flag.FEC | flag.BLOCK_LOCK | flag.LOF
    assert not status_flags(receiver("7A"), blocks, r.Loopback.NONE, fec=True) & flag.BLOCK_LOCK
    blocks.restart()
    assert not status_flags(receiver("7A"), blocks, r.Loopback.INTERNAL, fec=True) & flag.BLOCK_LOCK


def test_line_code_is_for_options_5_to_10() -> None:
    alignment = BoardAlignment(OPTIONS["7A"], np.random.default_rng(1), fec=True)
    assert line_code_status(receiver("2"), None, r.Loopback.INTERNAL, alignment) is None
    at_5 = line_code_status(receiver("5"), None, r.Loopback.INTERNAL, alignment)
    assert at_5 is not None and at_5.flags == r.LineCodeFlag.NONE
    blocks = BlockDeserialiser(True, counts=BlockCounts(80, 0, 2, 9, 1, 0))
    at_7a = line_code_status(receiver("7A"), blocks, r.Loopback.INTERNAL, alignment)
    assert at_7a is not None and at_7a.codeword_phase_bits == alignment.codeword_phase_bits
    assert at_7a.flags == r.LineCodeFlag.FEC_LOCK | r.LineCodeFlag.PHASE_KNOWN
    counted = (at_7a.block_header_errors, at_7a.fec_corrected_codewords, at_7a.fec_corrected_symbols)
    assert counted == (80, 2, 9) and at_7a.fec_uncorrected_codewords == 1
