"""Decoder and reference at options 7A to 10, with RS-FEC and version 2: clean, faulty and randomly damaged streams.

The two share no code but names, so that a reading of the standard that one of them has wrong shows here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.events import FrameReceived
from decoders.line_coding.characters import LineForm
from monitor.emulation.line_settings import LineSettings
from tests.support.high_rates import (
    CraftedStream,
    crafted_stream,
    decoded_stream,
    differences,
    seen_by_reference,
)

BITS, BLOCKS, FLAGGED, OCTETS = LineForm.BITS, LineForm.BLOCKS, LineForm.FLAGGED, LineForm.OCTETS
PLAIN, FEC, FEC_XOR = LineSettings(), LineSettings(fec=True), LineSettings(fec=True, fec_header_xor=True)
SCRAMBLED = LineSettings(scrambling=0x2ABCDEF1)
SHORT = 60
"""Pointer p: a small fast C&M channel, which the reference reads bit by bit."""


@pytest.mark.parametrize(
    ("option", "form", "line"),
    [
        ("7A", BITS, PLAIN),
        ("8", OCTETS, PLAIN),
        ("9", BLOCKS, PLAIN),
        ("10", BITS, PLAIN),
        ("8", BITS, FEC),
        ("10", BITS, FEC_XOR),
        ("7A", FLAGGED, FEC),
        ("5", OCTETS, SCRAMBLED),
        ("6", BITS, SCRAMBLED),
        ("7", FLAGGED, SCRAMBLED),
    ],
)
def test_clean_capture_decodes_to_its_truth(option: str, form: LineForm, line: LineSettings) -> None:
    stream = crafted_stream(option, form, line, (), 8)
    decoder, events = decoded_stream(stream)
    assert decoder.counters == stream.truth["counters"]
    frames = [e for e in events if isinstance(e, FrameReceived)]
    assert [(f.plane.value, f.hyperframe, f.data.hex(), f.fcs.hex()) for f in frames] == [
        (f["plane"], f["hyperframe"], f["data"], f["fcs"]) for f in stream.truth["frames"]
    ]
    assert decoder.hyperframes == 8


@pytest.mark.parametrize(
    ("form", "line", "fault"),
    [
        (BITS, PLAIN, "line.flip@9:x=0,w=0,y=0,bit=1"),
        (BITS, PLAIN, "line.slip@9"),
        (BITS, PLAIN, "line.dark@9:hyperframes=2"),
        (BITS, PLAIN, "line.header@9:x=0,w=0,y=8"),
        (BITS, PLAIN, "sync.start_only@9:count=3"),
        (BITS, FEC, "fec.symbols@9:symbols=7"),
        (BITS, FEC, "fec.symbols@9:symbols=8"),
        (BITS, FEC, "fec.phase@9:bits=1"),
        (BLOCKS, PLAIN, "line.invert@9:hyperframes=2"),
        (FLAGGED, PLAIN, "line.sync_pair@9"),
        (OCTETS, PLAIN, "sync.comma@9:count=4"),
    ],
)
def test_faulty_capture(form: LineForm, line: LineSettings, fault: str) -> None:
    stream = crafted_stream("7A", form, line, (fault,), 18, 0, SHORT)
    decoder, _ = decoded_stream(stream)
    assert not differences(decoder, seen_by_reference(stream))


def _damaged(stream: CraftedStream, seed: int, wrong: int, cut: int) -> CraftedStream:
    random = np.random.default_rng(seed)
    data = np.frombuffer(stream.data, np.uint8)[cut:].copy()
    bits = random.integers(0, 8 * len(data), wrong)
    if stream.form in (FLAGGED, BLOCKS):  # bits that a form leaves unused are no damage of the line
        item = 2 if stream.form is FLAGGED else 9
        head = bits % (8 * item) >= 8 if item == 2 else bits % (8 * item) < 8
        bits = bits[~head | (bits % 8 < 2)]
    np.bitwise_xor.at(data, bits >> 3, (1 << (bits & 7)).astype(np.uint8))
    return replace(stream, data=data.tobytes())


@settings(max_examples=6, deadline=None)
@given(
    st.sampled_from([(BITS, PLAIN), (BITS, FEC), (BITS, FEC_XOR), (BLOCKS, PLAIN), (FLAGGED, PLAIN)]),
    st.integers(0, 1 << 30),
    st.sampled_from([0, 3, 40, 400, 6000]),
    st.integers(0, 40_000),
)
def test_random_damage(what: tuple[LineForm, LineSettings], seed: int, wrong: int, cut: int) -> None:
    form, line = what
    stream = crafted_stream("7A", form, line, (), 8, 0, SHORT)
    damaged = _damaged(stream, seed, wrong, cut // 18 * 18)
    decoder, _ = decoded_stream(damaged)
    assert not differences(decoder, seen_by_reference(damaged))
