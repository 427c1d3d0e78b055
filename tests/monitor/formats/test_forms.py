"""Names of data formats, and how many octets they take."""

from __future__ import annotations

import pytest

from decoders.linerates import OPTIONS
from monitor.errors import InputError
from monitor.formats.forms import (
    Form,
    check_form,
    checked_option,
    form_of_name,
    item_octets,
    stream_octets,
    stream_time_ns,
)
from tests.support.form_streams import BLOCK_WORDS, OCTETS_A_WORD


def test_an_option_has_its_own_name() -> None:
    assert [checked_option(name) for name in (" 7 ", "7a", "10")] == ["7", "7A", "10"]
    with pytest.raises(InputError, match="does not exist"):
        checked_option("11")


def test_symbols_and_blocks_belong_to_their_line_code() -> None:
    for name, option in OPTIONS.items():
        wrong = Form.BLOCKS if option.line_code == "8b10b" else Form.SYMBOLS
        with pytest.raises(InputError, match=f"form {wrong} is not valid for option {name}"):
            check_form(wrong, name)
        for form in set(Form) - {wrong}:
            check_form(form, name)


def test_the_suffix_names_the_form() -> None:
    for form in Form:
        assert form_of_name(f"a.b/capture.{form.upper()}") is form
    assert form_of_name("octets") is None and form_of_name("x.bin") is None


def test_items_are_words_blocks_or_octets() -> None:
    assert [item_octets(form) for form in Form] == [1, 2, 2, 1, 1, 9, 1]


def test_stream_time_is_the_line_rate() -> None:
    """A hyperframe lasts 1/15000 s (clause 4.2.1) in every form."""
    for option, y in OCTETS_A_WORD.items():
        octets = 4096 * y * 15_000
        for form, size in ((Form.OCTETS, 8), (Form.FLAGGED, 16), (Form.SYMBOLS, 16), (Form.BITS, 10)):
            assert stream_time_ns(form, option, octets * size // 8) == 1_000_000_000


def test_a_hyperframe_of_64b66b_takes_its_blocks() -> None:
    """66 bits for 8 octets on the line (802.3 clause 49.2.4), 9 octets stored."""
    for option, word in BLOCK_WORDS.items():
        blocks = 4096 * word // 8
        sizes = {Form.OCTETS: 8, Form.FLAGGED: 16, Form.BLOCKS: 9}
        for form, size in sizes.items():
            assert stream_octets(form, option, 3) == 3 * size * blocks
        assert stream_octets(Form.BITS, option, 4) * 8 == 4 * 66 * blocks
        assert stream_time_ns(Form.BLOCKS, option, 15_000 * 9 * blocks) == 1_000_000_000
