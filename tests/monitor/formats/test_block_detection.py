"""64B/66B line data, with and without RS-FEC, told from each other and from 8B/10B."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.formats.block_detection import block_phase, find_block_sync, holds_blocks
from monitor.formats.detection import decide
from monitor.formats.forms import Form
from tests.support.form_streams import BLOCK_WORDS, as_form, block_stream, cut_bits

FORMS = (Form.OCTETS, Form.FLAGGED, Form.BLOCKS, Form.BITS)


@pytest.mark.parametrize("option", BLOCK_WORDS)
@pytest.mark.parametrize("form", FORMS)
def test_form_and_option_are_found_with_any_start(form: Form, option: str) -> None:
    data = block_stream(form, option, 4)
    for cut in (0, 1, 5, 4321):
        decision = decide(data[cut:], None, None)
        assert (decision.form, decision.option, decision.certain) == (form, option, True), cut
        if form is Form.BLOCKS:
            assert decision.skip == -cut % 9
        assert len(decision.warnings) == (decision.skip > 0)


@pytest.mark.parametrize(("option", "lead"), [("7A", 0), ("8", 17), ("10", 5000)])
def test_codewords_are_found_at_any_bit(option: str, lead: int) -> None:
    decision = decide(block_stream(Form.BITS, option, 4, fec=True, lead_bits=lead), None, None)
    assert (decision.form, decision.option, decision.certain) == (Form.BITS, option, True)


@pytest.mark.parametrize("lead", [1, 65, 66, 777])
def test_blocks_are_found_at_any_bit(lead: int) -> None:
    data = block_stream(Form.BITS, "8", 3, lead_bits=lead)
    assert decide(data, None, None).option == "8"
    assert decide(cut_bits(data, 13), Form.BITS, None).option == "8"


@pytest.mark.parametrize("option", ["1", "2", "4"])
@pytest.mark.parametrize("form", [Form.OCTETS, Form.FLAGGED, Form.SYMBOLS, Form.BITS])
def test_8b10b_is_not_taken_for_64b66b(form: Form, option: str) -> None:
    data = np.frombuffer(as_form(form, option, 6), np.uint8)
    assert find_block_sync(data, form) is None
    assert decide(data.tobytes(), None, None).option == option


def test_a_line_that_is_good_at_every_alignment_has_no_blocks() -> None:
    assert not holds_blocks(np.full(100_000, 0x55, np.uint8))
    assert not holds_blocks(np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8))


def test_damage_does_not_hide_the_blocks() -> None:
    data = np.frombuffer(block_stream(Form.BLOCKS, "7A", 8), np.uint8).copy()
    rng = np.random.default_rng(2)
    data[rng.integers(0, len(data), 60)] ^= 2
    damaged = np.where(np.arange(len(data)) % 9 == 0, data & 3, data)
    assert decide(damaged.astype(np.uint8).tobytes(), None, None).option == "7A"


def test_the_wrong_option_is_named() -> None:
    with pytest.raises(InputError, match="option 8, not option 9; give --option 8"):
        decide(block_stream(Form.BLOCKS, "8", 5), None, "9")
    with pytest.raises(InputError, match="option 8, not option 2"):
        decide(block_stream(Form.BITS, "8", 5), Form.BITS, "2")


def test_blocks_without_a_sync_word_are_said_to_be_so() -> None:
    """IEEE 802.3 clause 49.2.4: each block begins with 01 or 10."""
    bits = np.random.default_rng(1).integers(0, 2, (300, 66), dtype=np.uint8)
    bits[:, 1] = 1 - bits[:, 0]
    data = np.packbits(bits.reshape(-1)[13:], bitorder="little").tobytes()
    with pytest.raises(InputError, match="64B/66B"):
        decide(data, None, None)
    stored = np.zeros((200, 9), np.uint8)
    stored[:, 0] = 1 + (np.arange(200) & 1)
    assert block_phase(stored.reshape(-1)[4:]) == 5
    assert decide(stored.tobytes(), Form.BLOCKS, "8").certain is False
