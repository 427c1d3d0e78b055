"""Finding form and option from the data, hex text, and the raw writers.

The streams are built here by hand from CPRI V7.0 Table 9 (sync control word), clause 4.2.7.3 (HFN) and
IEEE 802.3 table 36-2 (K28.5 is 001111 1010 or its complement), not by the project's encoder.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.formats.detection import Decision, decide
from monitor.formats.form_writer import FormWriter, flagged_words
from monitor.formats.forms import Form, checked_option, form_of_name, stream_time_ns
from monitor.formats.hex_text import HexReader, HexWriter

OCTETS_A_WORD = {"1": 1, "2": 2, "3": 4, "4": 5, "5": 8, "6": 10, "7": 16}
SYMBOLS_OF_K28_5 = (0b0101111100, 0b1010000011)  # 0011111010 and 1100000101 with a in bit 0
# Data characters D21.5 and D10.2 alternate ones and zeros: no run, no comma, wherever they are cut.
D21_5, D10_2 = 0b0101010101, 0b1010101010


def octet_stream(option: str, hyperframes: int, seed: int = 1, first_hfn: int = 147) -> NDArray[np.uint8]:
    y = OCTETS_A_WORD[option]
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (hyperframes, 4096 * y), dtype=np.uint8)
    data[:, 0] = 0xBC
    data[:, 1:y] = 0x50
    data[:, 64 * 16 * y] = (first_hfn + np.arange(hyperframes)) % 150
    return data.reshape(-1)


def symbol_stream(option: str, hyperframes: int, seed: int = 1) -> NDArray[np.uint16]:
    size = 4096 * OCTETS_A_WORD[option]
    rng = np.random.default_rng(seed)
    symbols = rng.choice(np.array([D21_5, D10_2], np.uint16), (hyperframes, size))
    symbols[:, 0] = rng.choice(np.array(SYMBOLS_OF_K28_5, np.uint16), hyperframes)
    return symbols.reshape(-1)


def as_form(form: Form, option: str, hyperframes: int, seed: int = 1) -> bytes:
    if form is Form.OCTETS:
        return octet_stream(option, hyperframes, seed).tobytes()
    if form is Form.FLAGGED:
        words = octet_stream(option, hyperframes, seed).astype("<u2")
        words[:: 4096 * OCTETS_A_WORD[option]] |= 0x100
        return words.tobytes()
    symbols = symbol_stream(option, hyperframes, seed)
    if form is Form.SYMBOLS:
        return symbols.astype("<u2").tobytes()
    if form is Form.BITS:
        bits = (symbols[:, None] >> np.arange(10, dtype=np.uint16)) & 1
        return np.packbits(bits.reshape(-1).astype(np.uint8), bitorder="little").tobytes()
    octets = octet_stream(option, hyperframes, seed).tobytes()
    lines = (f"{i:06x}: {octets[i : i + 16].hex(' ')}\n" for i in range(0, len(octets), 16))
    return "".join(lines).encode()


def cut_bits(data: bytes, count: int) -> bytes:
    bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")[count:]
    return np.packbits(bits, bitorder="little").tobytes()


ALL_FORMS = [Form.OCTETS, Form.FLAGGED, Form.SYMBOLS, Form.BITS, Form.HEX]


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
    for seed in range(3):
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
    assert "named as bits, but reads as symbols" in decide(data, None, None, hint=Form.BITS).warnings
    assert decide(bytes(5000), None, "2", hint=Form.BITS).form is Form.BITS
    with pytest.raises(InputError, match="give --option"):
        decide(bytes(5000), None, None, hint=Form.BITS)
    with pytest.raises(InputError, match="named as hex"):
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


def test_64b66b_is_said_to_be_so() -> None:
    """IEEE 802.3 clause 49.2.4: each block begins with 01 or 10."""
    bits = np.random.default_rng(1).integers(0, 2, (300, 66), dtype=np.uint8)
    bits[:, 1] = 1 - bits[:, 0]
    data = np.packbits(bits.reshape(-1)[13:], bitorder="little").tobytes()
    with pytest.raises(InputError, match="64B/66B"):
        decide(data, None, None)
    for name in ("7A", "7a", "8", "10"):
        with pytest.raises(InputError, match="64B/66B"):
            checked_option(name)
    with pytest.raises(InputError, match="does not exist"):
        checked_option("11")
    assert checked_option(" 7 ") == "7"


def test_ffcap_goes_by_its_magic() -> None:
    assert decide(b"FFCAP\r\n\x1a and so on", None, None).form is Form.FFCAP
    with pytest.raises(InputError, match="leave --form out"):
        decide(b"FFCAP\r\n\x1a and so on", Form.BITS, "2")
    for form, hint in ((Form.FFCAP, None), (None, Form.FFCAP)):
        with pytest.raises(InputError, match="does not begin"):
            decide(as_form(Form.OCTETS, "2", 4), form, None, hint=hint)


def test_stream_time_is_the_line_rate() -> None:
    """A hyperframe lasts 1/15000 s (clause 4.2.1) in every form."""
    for option, y in OCTETS_A_WORD.items():
        octets = 4096 * y * 15_000
        for form, size in ((Form.OCTETS, 8), (Form.FLAGGED, 16), (Form.SYMBOLS, 16), (Form.BITS, 10)):
            assert stream_time_ns(form, option, octets * size // 8) == 1_000_000_000


# ---------------------------------------------------------------- hex


def read_hex(text: bytes, sizes: int = 1 << 20) -> tuple[bytes, HexReader]:
    reader = HexReader()
    out = b"".join(reader.feed(text[i : i + sizes]) for i in range(0, len(text), sizes))
    return out + reader.feed(b"", final=True), reader


@settings(max_examples=80, deadline=None)
@given(data=st.binary(min_size=1, max_size=300), parts=st.integers(1, 70), sizes=st.integers(1, 200))
def test_hex_round_trip(data: bytes, parts: int, sizes: int) -> None:
    stream = io.BytesIO()
    writer = HexWriter(stream)
    for i in range(0, len(data), parts):
        writer.write(data[i : i + parts])
    writer.close()
    found, reader = read_hex(stream.getvalue(), sizes)
    assert found == data
    assert (reader.error, reader.warnings) == (None, [])


def test_hex_text_as_written() -> None:
    stream = io.BytesIO()
    writer = HexWriter(stream)
    writer.write(bytes(range(0xA0, 0xB2)))
    writer.close()
    assert stream.getvalue() == (
        b"00000000: A0 A1 A2 A3 A4 A5 A6 A7 A8 A9 AA AB AC AD AE AF\n00000010: B0 B1\n"
    )


@settings(max_examples=150, deadline=None)
@given(
    lines=st.lists(
        st.tuples(
            st.sampled_from(["", "10:", "0x0020:", "  aF : ", ":", "\t"]),
            st.lists(st.binary(min_size=1, max_size=3), max_size=6),
            st.sampled_from([" ", "\t", "  "]),
            st.sampled_from(["", "# 12: zz", " #", "#x#y: 7"]),
            st.sampled_from(["\n", "\r\n"]),
        ),
        min_size=1,
        max_size=12,
    ),
    sizes=st.integers(1, 100),
)
def test_hex_columns_comments_and_line_ends(
    lines: list[tuple[str, list[bytes], str, str, str]], sizes: int
) -> None:
    text = "".join(c + g.join(t.hex() for t in tokens) + r + e for c, tokens, g, r, e in lines).encode()
    data = b"".join(b"".join(tokens) for _, tokens, _, _, _ in lines)
    found, reader = read_hex(text, sizes)
    assert found == data
    assert reader.warnings == []
    assert (reader.error is None) == bool(data)


@pytest.mark.parametrize(
    ("text", "token", "line_and_column", "offset"),
    [
        (b"00 01\n02 0G 04\n", "0G", (2, 4), 9),
        (b"00 01\n02 3 04\n", "3", (2, 4), 9),
        (b"00 01\n0010: 02\n0020: 02: 04\n", "02:", (3, 7), 21),
        (b"00 01\nwhat: 02\n", "what:", (2, 1), 6),
        (b"00\r\n# fine\r\n11 \xff22\r\n", "\\xff22", (3, 4), 15),
        (b"\xef\xbb\xbf00\n1 2\n", "1", (2, 1), 6),
    ],
)
@pytest.mark.parametrize("sizes", [1, 7, 1000])
def test_hex_bad_token(
    text: bytes, token: str, line_and_column: tuple[int, int], offset: int, sizes: int
) -> None:
    line, column = line_and_column
    found, reader = read_hex(text, sizes)
    assert found.startswith(b"\x00")
    assert reader.error is not None
    assert reader.error.message == f"hex: '{token}' is not an octet (line {line}, column {column})"
    assert reader.error.where == offset
    assert reader.feed(b"00\n", final=True) == b""


@pytest.mark.parametrize(
    ("text", "data"),
    [
        (b"C 50 51\n52\n", b"PQR"),
        (b"0: 50 51\n52\n", b"PQR"),
        (b"nd of a comment\n52\n", b"R"),
        (b"5 50 it # x\n52\n", b"R"),
        (b"C 50 51", b"PQ"),
    ],
)
def test_hex_cut_first_line(text: bytes, data: bytes) -> None:
    found, reader = read_hex(text)
    assert found == data
    assert reader.error is None
    assert len(reader.warnings) == (0 if text.startswith(b"0:") else 1)


def test_hex_without_any_octet() -> None:
    for text in (b"# nothing\n", b"\n\n", b""):
        assert read_hex(text)[1].error is not None
    _, reader = read_hex(b"hello there")
    assert reader.error is not None
    assert "'hello'" in str(reader.error)


def test_hex_on_one_endless_line() -> None:
    data = np.random.default_rng(2).integers(0, 256, 3 << 20, dtype=np.uint8).tobytes()
    for text in (data.hex(" "), data.hex(), "0: " + data.hex("\t")):
        found, reader = read_hex(text.encode(), 300_001)
        assert found == data
        assert reader.warnings == []
    comment = "00 # " + data.hex(" ") + "\n11"
    assert read_hex(comment.encode(), 300_001)[0] == b"\x00\x11"
    _, reader = read_hex((data.hex(" ") + " 7").encode(), 300_001)
    assert reader.error is not None
    assert reader.error.where == 9 << 20
    assert f"line 1, column {(9 << 20) + 1}" in str(reader.error)


# ---------------------------------------------------------------- writers


def test_flagged_words() -> None:
    octets = np.array([0xBC, 0x50, 0xFF, 0x00], np.uint8)
    words = flagged_words(octets, np.array([0]), np.array([1, 3]), np.array([3]))
    assert words.tolist() == [0x1BC, 0x250, 0xFF, 0x600]


def test_form_writer() -> None:
    words = np.array([0x17C, 0x283], np.uint16)
    for form, data, wanted in (
        (Form.OCTETS, np.array([1, 2], np.uint8), b"\1\2"),
        (Form.BITS, np.array([1, 2, 3, 4], np.uint8)[::2], b"\1\3"),
        (Form.SYMBOLS, words, b"\x7c\x01\x83\x02"),
        (Form.FLAGGED, words.astype(">u2"), b"\x7c\x01\x83\x02"),
        (Form.HEX, np.array([1, 0xAB], np.uint8), b"00000000: 01 AB\n"),
    ):
        stream = io.BytesIO()
        writer = FormWriter(stream, form)
        writer.write(data)
        writer.close()
        assert stream.getvalue() == wanted
    with pytest.raises(ValueError, match="2 octets"):
        FormWriter(io.BytesIO(), Form.SYMBOLS).write(np.zeros(2, np.uint8))
    with pytest.raises(ValueError, match="CaptureWriter"):
        FormWriter(io.BytesIO(), Form.FFCAP)
