"""Hex text: read, written, and what is wrong in it."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.formats.hex_text import HexReader, HexWriter


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


def test_digits_with_blanks_between_are_no_offset_column() -> None:
    """Whole lines at once and line by line say the same: found by the fuzzer."""
    text = b"bc50c5 00 11\nbc50c5 00 :\n22 33\n"
    for pieces in ([text], [text[:13], text[13:]], [bytes((octet,)) for octet in text]):
        reader = HexReader()
        octets = b"".join(reader.feed(piece) for piece in pieces) + reader.feed(b"", final=True)
        assert octets == bytes.fromhex("bc50c50011")
        assert reader.error is not None and "line 2" in str(reader.error)
