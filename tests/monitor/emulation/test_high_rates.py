"""Clean captures of options 7A to 10, of RS-FEC and of version 2: what was sent is what the reference receives."""

from __future__ import annotations

import pytest

from decoders.line_coding.characters import LineForm
from monitor.emulation.line_settings import LineSettings
from tests.support.high_rates import crafted_stream, seen_by_reference

FEC, FEC_XOR = LineSettings(fec=True), LineSettings(fec=True, fec_header_xor=True)
SCRAMBLED = LineSettings(scrambling=0x12345678)
GOOD = ("hdlc_frames", "ethernet_frames", "vendor_changes")


@pytest.mark.parametrize(
    ("option", "form", "line", "lead"),
    [
        ("7A", LineForm.BITS, LineSettings(), 0),
        ("8", LineForm.BITS, LineSettings(), 65),
        ("9", LineForm.BITS, LineSettings(), 17),
        ("10", LineForm.BITS, LineSettings(), 1),
        ("7A", LineForm.FLAGGED, LineSettings(), 0),
        ("8", LineForm.OCTETS, LineSettings(), 0),
        ("9", LineForm.BLOCKS, LineSettings(), 0),
        ("10", LineForm.OCTETS, LineSettings(), 0),
        ("7A", LineForm.BITS, FEC, 33),
        ("8", LineForm.BITS, FEC_XOR, 0),
        ("9", LineForm.BITS, FEC_XOR, 5279),
        ("8", LineForm.FLAGGED, FEC, 0),
        ("7A", LineForm.BLOCKS, FEC_XOR, 0),
        ("5", LineForm.OCTETS, SCRAMBLED, 0),
        ("6", LineForm.FLAGGED, SCRAMBLED, 0),
        ("7", LineForm.SYMBOLS, SCRAMBLED, 0),
        ("7", LineForm.OCTETS, LineSettings(scrambling=0), 0),
    ],
)
def test_clean_capture(option: str, form: LineForm, line: LineSettings, lead: int) -> None:
    stream = crafted_stream(option, form, line, (), 8, lead)
    assert not stream.truth["computed"]
    seen = seen_by_reference(stream)
    assert seen.frames == stream.truth["frames"]
    assert seen.vendor == stream.truth["vendor"]
    assert seen.counters == stream.truth["counters"]
    moved = {name for name, count in seen.counters.items() if count}
    assert moved <= set(GOOD), moved
    assert {"hdlc_frames", "ethernet_frames"} <= moved
    assert (seen.hyperframes, seen.first, seen.last) == (8, {"bfn": 4095, "hfn": 145}, {"bfn": 0, "hfn": 2})
    assert seen.acquired_at_hyperframe == 0
    link = stream.truth["link"]
    assert seen.sync_word == link["sync_word"]
    assert seen.scrambling == link["scrambling"]
    if form is LineForm.BITS:
        assert seen.alignment_offset_bits == lead % 66
        assert seen.fec is line.fec
        if line.fec:
            assert seen.fec_codeword_phase_bits == lead % 5280
            assert seen.fec_header_xor is line.fec_header_xor is (link["fec_header_xor"] == "on")
    if not line.fec:
        assert seen.trailing_octets == 0
