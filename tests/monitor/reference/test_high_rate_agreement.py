"""The decoder and the second receiver on damaged streams of 64B/66B, RS-FEC and version 2: they must say the same.

They share no code but the names of counters; damage is by chance, from seeds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from monitor.emulation.line_settings import LineSettings
from tests.support.high_rates import CraftedStream, crafted_stream, seen_by_reference
from tests.support.streams import decode

BITS, BLOCKS, FLAGGED, OCTETS = LineForm.BITS, LineForm.BLOCKS, LineForm.FLAGGED, LineForm.OCTETS
SCRAMBLED = LineSettings(scrambling=0x12345678)
LINKS: tuple[tuple[str, LineForm, LineSettings, int], ...] = (
    ("7A", BITS, LineSettings(), 0),
    ("8", BITS, LineSettings(), 65),
    ("7A", BLOCKS, LineSettings(), 0),
    ("8", FLAGGED, LineSettings(), 0),
    ("7A", OCTETS, LineSettings(), 0),
    ("7A", BITS, LineSettings(fec=True), 33),
    ("5", OCTETS, SCRAMBLED, 0),
)
DAMAGE = ("inverted bits", "burst", "begun late", "ended early", "missing", "sync words")


def _damaged(stream: CraftedStream, kind: str, random: np.random.Generator) -> bytes:
    data = np.frombuffer(stream.data, np.uint8).copy()
    item = {BLOCKS: 9, FLAGGED: 2}.get(stream.form, 1)
    items, hyperframe = len(data) // item, len(data) // 10

    def at(first: int, last: int) -> int:
        return int(random.integers(first, last))

    if kind == "inverted bits":
        for _ in range(at(1, 40)):
            bit = at(0, 8 if stream.form is not FLAGGED else 9)
            data[at(0, items) * item + (bit >> 3)] ^= 1 << (bit & 7)
    elif kind == "burst" and stream.form is not FLAGGED:
        start = at(0, len(data))
        part = data[start : start + at(1, 3 * hyperframe)]
        part[:] = random.integers(0, 256, len(part), np.uint8)
    elif kind == "begun late":
        data = data[at(0, items) * item :]
    elif kind == "ended early":
        data = data[at(0, hyperframe // item) * item : len(data) - at(1, 4 * hyperframe)]
    elif kind == "missing" and stream.form is BITS:
        bits = np.unpackbits(data, bitorder="little")
        start = at(0, len(bits))
        data = np.packbits(np.delete(bits, slice(start, start + at(1, 200))), bitorder="little")
    elif kind == "missing":
        start = at(0, items) * item
        data = np.delete(data, slice(start, start + at(1, 60) * item))
    else:
        for number in range(at(1, 8), 9):
            data[number * hyperframe + at(0, 18) * item] ^= at(1, 256)
    return data.tobytes()


@pytest.mark.parametrize("kind", DAMAGE)
@pytest.mark.parametrize(
    "link", LINKS, ids=lambda link: f"{link[0]}-{link[1]}-{'fec' if link[2].fec else ''}"
)
def test_both_receivers_say_the_same(link: tuple[str, LineForm, LineSettings, int], kind: str) -> None:
    option, form, line, lead = link
    whole = crafted_stream(option, form, line, (), 10, lead)
    random = np.random.default_rng(LINKS.index(link) * 100 + DAMAGE.index(kind))
    stream = replace(whole, data=_damaged(whole, kind, random))
    seen = seen_by_reference(stream)
    settings = LinkSettings(option=option, form=form)
    got = decode(stream.data, settings)
    record = got.record
    assert got.counters == seen.counters
    assert got.frames == seen.frames
    assert got.vendor == seen.vendor
    assert (record["first"], record["last"], record["l1"]) == (seen.first, seen.last, seen.l1)
    assert (record["hyperframes"], record["trailing_bytes"]) == (seen.hyperframes, seen.trailing_octets)
    sync = record["sync"]
    assert sync["acquired_at_hyperframe"] == seen.acquired_at_hyperframe
    assert sync["alignment_slip_bits"] == seen.alignment_offset_bits
    assert sync["fec_codeword_phase_bits"] == seen.fec_codeword_phase_bits
    assert record["link"]["sync_word"] == seen.sync_word
    assert record["link"]["scrambling"] == seen.scrambling
    cuts = random.integers(1, max(2, len(stream.data) // 5), 30).tolist()
    assert decode(stream.data, settings, cuts) == got
