"""Line data written in a data format."""

from __future__ import annotations

import io

import numpy as np
import pytest

from monitor.formats.form_writer import FormWriter, flagged_words
from monitor.formats.forms import Form


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
