"""The word under the cursor in words, the planes, and the level of the IQ data."""

from __future__ import annotations

from decoders.linerates import option_named
from monitor.tui.inspector import word_meaning
from tests.support.screens import screen


async def test_levels_of_the_iq_data() -> None:
    """A tone of amplitude 2000 of 2^14: 20 log10(2000 / 16384) = -18.27 dB, computed."""
    async with screen() as (app, _):
        shown = app.link_view.levels.shown()
    assert "assumed" in shown[0]
    assert shown[1].split() == ["A0", "-18.3", "pk", "-18.3", "dc", "0.00"]


def test_words_of_timing_and_l1_have_a_meaning() -> None:
    """CPRI V7.0 clauses 4.2.7.4 and 4.2.7.6: Z.0, Z.64, Z.128, Z.192 and Z.2, Z.66, Z.130, Z.194."""
    option, words = option_named("2"), {0: b"\xbc\x50", 64: b"\x95\0", 66: b"\x03\0", 194: b"\x28\0"}
    assert {x: word_meaning(x, word, option) for x, word in words.items()} == {
        0: "sync byte K28.5",
        64: "HFN 149",
        66: "HDLC code 3: 960 kbit/s",
        194: "pointer p = 40",
    }
    assert word_meaning(0, b"\x00\x50", option) == "sync byte missing"
    assert word_meaning(194, b"\0\0", option) == "pointer p = 0: no Ethernet"
    assert word_meaning(0, b"\xfd" * 20, option_named("8")) == "sync word"
    assert word_meaning(20, b"\x01", option) == ""
