"""Data format and line bit rate option, found from streams that are built by hand."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.line_coding.scrambling import scramble
from monitor.errors import InputError
from monitor.formats.detection import Decision, decide
from monitor.formats.forms import Form, form_of_name
from tests.support.form_streams import ALL_FORMS, OCTETS_A_WORD, as_form, cut_bits, octet_stream


@pytest.mark.parametrize("option", ["1", "2", "3", "4", "7"])
@pytest.mark.parametrize("form", ALL_FORMS)
def test_found_with_any_front_cut(form: Form, option: str) -> None:
    data = as_form(form, option, 6)
    rng = np.random.default_rng(int(option))
    for cut in [0, 1, *rng.integers(2, len(data) // 6, 4).tolist()]:
        decision = decide(data[cut:], None, None)
        assert (decision.form, decision.option, decision.certain) == (form, option, True), cut
        assert decision.skip == (cut % 2 if form in (Form.FLAGGED, Form.SYMBOLS) else 0)
        assert len(decision.warnings) == decision.skip


@pytest.mark.parametrize("option", ["1", "2", "4"])
def test_bits_cut_at_any_bit(option: str) -> None:
    data = as_form(Form.BITS, option, 4)
    for cut in (1, 2, 3, 7, 13, 1001, 9999):
        assert decide(cut_bits(data, cut), None, None).option == option


@pytest.mark.parametrize("option", list(OCTETS_A_WORD))
@pytest.mark.parametrize("form", ALL_FORMS)
def test_two_hyperframes_are_enough(form: Form, option: str) -> None:
    decision = decide(as_form(form, option, 2), None, None)
    assert (decision.form, decision.option) == (form, option)


@pytest.mark.parametrize("form", [Form.OCTETS, Form.FLAGGED, Form.SYMBOLS])
def test_damage_does_not_hide_the_spacing(form: Form) -> None:
    size = 1 if form is Form.OCTETS else 2
    data = np.frombuffer(as_form(form, "2", 24), np.uint8).copy()
    rng = np.random.default_rng(3)
    for hyperframe in rng.choice(24, 8, replace=False).tolist():
        data[hyperframe * 8192 * size] ^= 0x11
    noise = rng.integers(0, len(data), 200)
    data[noise & ~1] ^= rng.integers(1, 256, 200, dtype=np.uint8)
    slipped = np.concatenate((data[: 100_000 * size], data[100_003 * size :]))
    for damaged in (data, slipped):
        decision = decide(damaged.tobytes(), None, None)
        assert (decision.form, decision.option) == (form, "2")


def test_rubbish_before_the_link_is_up() -> None:
    rubbish = np.random.default_rng(5).integers(0, 256, 150_000, dtype=np.uint8).tobytes()
    for form in (Form.OCTETS, Form.BITS):
        assert decide(rubbish + as_form(form, "1", 40), None, None).form is form


def test_octets_whose_number_stands_still_or_is_scrambled() -> None:
    data = octet_stream("2", 12).reshape(12, -1)
    data[:, 64 * 32] = 7
    assert decide(data.tobytes(), None, None).option == "2"
    data = octet_stream("7", 5).reshape(5, -1)
    data[:, 2:] ^= np.random.default_rng(1).integers(0, 256, data.shape[1] - 2, dtype=np.uint8)
    assert decide(data.tobytes(), None, None).option == "7"
    data = octet_stream("4", 8).reshape(8, -1)
    data[:, 1] = 0xC5
    assert decide(data.tobytes(), None, None).option == "4"


@pytest.mark.parametrize("seed", [305419896, 1, 0x7FFFFFFF, 0])
@pytest.mark.parametrize("option", ["5", "6", "7"])
def test_scrambled_octets_are_found_by_their_seed(option: str, seed: int) -> None:
    """A quiet payload scrambled with one seed is the same in every hyperframe, and shows other spacings as well."""
    plain = octet_stream(option, 7).reshape(7, -1)
    plain[:, 4096:] = plain[0, 4096:]
    plain[:, 64 * 16 * OCTETS_A_WORD[option]] = 143 + np.arange(7)
    sent = scramble(plain, seed)
    sent[:, 0] = 0xBC
    data = sent.reshape(-1)
    for cut in (0, 1, 12345):
        decision = decide(data[cut:].tobytes(), None, None)
        assert (decision.form, decision.option, decision.warnings) == (Form.OCTETS, option, [])


def test_a_periodic_payload_is_no_sync() -> None:
    """A constant sample that looks like the sync word repeats in every basic frame."""
    data = octet_stream("2", 10).reshape(-1, 16, 2)
    data[:, 3:] = 0
    data[:, 5] = (0xBC, 0x50)
    data[:, 6] = (0x7C, 0x01)  # holds K28.5 as line bits
    assert decide(data.tobytes(), None, None).form is Form.OCTETS
    assert decide(data.tobytes(), None, None).option == "2"
    data.reshape(10, -1)[:, 64 * 32] = 7  # with a number that stands still nothing tells the two apart
    with pytest.raises(InputError, match="no hyperframe sync"):
        decide(data.tobytes(), None, None)


def test_missing_sync_words_do_not_double_the_spacing() -> None:
    """Of these more stand two hyperframes apart than one."""
    there = [1, 0, 1, 0, 1, 1, 0, 1] * 4
    words = np.frombuffer(as_form(Form.FLAGGED, "2", 32), "<u2").copy().reshape(32, -1)
    words[np.array(there) == 0, 0] = 0x250
    assert decide(words.tobytes(), None, None).option == "2"


@pytest.mark.parametrize("size", [1, 100, 5000, 20_000, 70_000, 300_000, 2 << 20])
def test_random_octets_are_nothing(size: int) -> None:
    for seed in range(3 if size < 100_000 else 1):
        data = np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8).tobytes()
        with pytest.raises(InputError, match=r"no hyperframe sync found in .*give --form and --option"):
            decide(data, None, None)
        for form in ALL_FORMS[:4]:
            assert decide(data, form, "3") == Decision(form, "3")
            with pytest.raises(InputError, match=rf"in {size} bytes as {form}; give --option"):
                decide(data, form, None)


@pytest.mark.parametrize("fill", [0x00, 0xBC, 0x50, 0xFF, 0x55])
def test_constant_octets_are_nothing(fill: int) -> None:
    data = bytes([fill]) * 100_000
    with pytest.raises(InputError, match="no hyperframe sync"):
        decide(data, None, None)
    for form in ALL_FORMS[:4]:
        assert decide(data, form, "1").option == "1"


@pytest.mark.parametrize("form", ALL_FORMS)
@pytest.mark.parametrize(("true", "said"), [("1", "2"), ("2", "1"), ("2", "3"), ("3", "7"), ("4", "2")])
def test_the_wrong_option_is_named(form: Form, true: str, said: str) -> None:
    with pytest.raises(InputError, match=f"option {true}, not option {said}.*--option {true}"):
        decide(as_form(form, true, 4), form, said)
    with pytest.raises(InputError, match=f"option {true}"):
        decide(as_form(form, true, 4), None, said)
    assert decide(as_form(form, true, 4), form, true).warnings == []


def test_the_wrong_option_on_little_data_is_a_warning() -> None:
    decision = decide(as_form(Form.FLAGGED, "1", 3), Form.FLAGGED, "2")
    assert decision.option == "2"
    assert "option 1, not option 2" in decision.warnings[0]


def test_the_wrong_form_is_named() -> None:
    for form in ALL_FORMS:
        data = as_form(form, "2", 5)
        for said in ALL_FORMS:
            if said is not form:
                with pytest.raises(InputError) as error:
                    decide(data, said, "2")
                assert Form.HEX in (form, said) or f"--form {form}" in str(error.value)
    with pytest.raises(InputError, match="--form hex"):
        decide(as_form(Form.HEX, "2", 2), Form.OCTETS, "2")


def test_the_suffix_is_a_hint_only() -> None:
    data = as_form(Form.SYMBOLS, "2", 4)
    assert decide(data, None, None, hint=Form.SYMBOLS).warnings == []
    assert (
        "the suffix says bits, but the data format is symbols"
        in decide(data, None, None, hint=Form.BITS).warnings
    )
    assert decide(bytes(5000), None, "2", hint=Form.BITS).form is Form.BITS
    with pytest.raises(InputError, match="give --option"):
        decide(bytes(5000), None, None, hint=Form.BITS)
    with pytest.raises(InputError, match="has the suffix"):
        decide(bytes(5000), None, "2", hint=Form.HEX)
    assert form_of_name("a/b.Symbols") is Form.SYMBOLS
    assert form_of_name("octets") is None
    assert form_of_name("x.bin") is None


def test_text_is_refused() -> None:
    text = ("# Notes\nThe capture was taken at Saltmarsh – déjà vu.\n" * 400).encode()
    for form in (None, Form.OCTETS, Form.BITS):
        with pytest.raises(InputError, match="text file"):
            decide(text, form, "2")
        with pytest.raises(InputError, match="text file"):
            decide(text[:-1], form, None)
    with pytest.raises(InputError, match="line 2, column 1"):
        decide(text, Form.HEX, "2")


def test_ffcap_goes_by_its_magic() -> None:
    assert decide(b"FFCAP\r\n\x1a and so on", None, None).form is Form.FFCAP
    with pytest.raises(InputError, match="leave --form out"):
        decide(b"FFCAP\r\n\x1a and so on", Form.BITS, "2")
    for form, hint in ((Form.FFCAP, None), (None, Form.FFCAP)):
        with pytest.raises(InputError, match="is not an"):
            decide(as_form(Form.OCTETS, "2", 4), form, None, hint=hint)
