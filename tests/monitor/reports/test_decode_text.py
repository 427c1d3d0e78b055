"""The summary of a decode: 80 columns, units beside numbers, and nothing said that is not known."""

from __future__ import annotations

import pytest

from decoders.counters import COUNTERS, COUNTERS_OF_PLANE
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.line_settings import LineSettings
from monitor.reports.decode_text import counter_lines, summary_lines
from tests.support.high_rates import crafted_stream
from tests.support.streams import crafted


def summary(
    data: bytes, option: str = "1", form: LineForm = LineForm.BITS, name: str = "a.bits"
) -> list[str]:
    decoder = LinkDecoder(LinkSettings(option=option, form=form))
    decoder.receive(data)
    decoder.finish()
    return summary_lines(decoder, name)


def test_a_clean_stream() -> None:
    data, _ = crafted("1", LineForm.BITS, hyperframes=20, lead_bits=3)
    lines = summary(data)
    assert lines[:3] == [
        "a.bits",
        "  link      option 1, 614.4 Mbit/s, 8B/10B, data format bits",
        "  sync      HFNSYNC, 0 losses of sync, alignment offset 3 bits",
    ]
    text = " ".join(" ".join(lines).split())
    assert "decoded 20 hyperframes (1.33 ms of line time), BFN 4095 HFN 140 to BFN 0 HFN 9" in text
    assert "lost 0 hyperframes; 0 skipped before sync" in text
    assert "line no errors (all 0: code_violations," in text
    assert max(map(len, lines)) <= 80


def test_before_sync_nothing_is_claimed() -> None:
    lines = summary(bytes(9000))
    assert "  sync      not found" in lines
    assert not any(line.startswith(("  decoded", "  L1        version")) for line in lines)


def test_a_part_of_a_hyperframe_at_the_end() -> None:
    data, _ = crafted("1", LineForm.OCTETS, hyperframes=12)
    assert summary(data[:-1], form=LineForm.OCTETS)[-1] == (
        "  not used  4095 octets at the end, less than a hyperframe"
    )


def test_a_hostile_name_is_inert() -> None:
    assert summary(bytes(9000), name="a\x1b[2J\u202e.bits")[0] == "a\\x1b[2J\\u202e.bits"


@pytest.mark.parametrize("line_code", [None, "8b10b", "64b66b"])
def test_every_counter_that_is_not_0_is_named_once(line_code: str | None) -> None:
    counters = {name: number + 1 for number, name in enumerate(COUNTERS)}
    text = "\n".join(counter_lines(counters, line_code))
    for name, count in counters.items():
        assert text.count(f" {name} {count}") == 1, name


def test_counters_of_another_line_code_are_left_out() -> None:
    zero = dict.fromkeys(COUNTERS, 0)
    everything, symbols, blocks = (" ".join(counter_lines(zero, code)) for code in (None, "8b10b", "64b66b"))
    assert all(name in everything for names in COUNTERS_OF_PLANE.values() for name in names)
    assert "code_violations" in symbols and "block_header_errors" not in symbols
    assert "block_header_errors" in blocks and "code_violations" not in blocks
    assert "missed_sync_bytes" in symbols and "missed_sync_bytes" in blocks


@pytest.mark.parametrize(("xor", "told"), [(False, "xor off, measured"), (True, "xor on, measured")])
def test_readings_of_64b66b_are_said_to_be_measured(xor: bool, told: str) -> None:
    stream = crafted_stream("8", LineForm.BITS, LineSettings(fec=True, fec_header_xor=xor), hyperframes=6)
    text = " ".join(" ".join(summary(stream.data, "8")).split())
    assert f"sync word layout T7_S0, origin T, measured; header rule of RS-FEC: {told}" in text
