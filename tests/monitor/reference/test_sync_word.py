"""Sync words of 64B/66B that are not the usual ones: decoder and second receiver take them for the same.

The rule of a sync word that is missed once a hyperframe is this project's reading (CPRI V7.0 Table 9A is not public);
what both agree on is written beside each case.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from decoders.arrays import U8
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_64b66b import BlockEncoder, join_blocks
from decoders.linerates import OPTIONS
from monitor.emulation.line_settings import LineSettings
from tests.support.high_rates import (
    CraftedStream,
    crafted_stream,
    decoded_stream,
    differences,
    seen_by_reference,
)

SIZE = OPTIONS["7A"].hyperframe_octets
Hyperframes = list[tuple[U8, set[int]]]
"""Octets of each hyperframe, and which of them are special."""


def hyperframes(count: int, *, start_first: bool = False) -> Hyperframes:
    """What is sent at 7A with the sync word T7 S0; `start_first`: the /T/ block is the last one of the hyperframe."""
    data = np.frombuffer(crafted_stream("7A", LineForm.OCTETS, hyperframes=count).data, np.uint8)
    out: Hyperframes = []
    for frame in data.reshape(count, SIZE):
        octets = frame.copy()
        if start_first:
            octets[-8:], octets[:8], octets[8:16] = frame[:8], frame[8:16], 0x50
        out.append((octets, {0, SIZE - 1} if start_first else {7, 8}))
    return out


def stream(sent: Hyperframes) -> CraftedStream:
    octets = np.concatenate([frame for frame, _ in sent])
    places = [SIZE * i + at for i, (_, special) in enumerate(sent) for at in sorted(special)]
    data = join_blocks(*BlockEncoder().encode(octets, np.array(places, np.int64))).tobytes()
    return CraftedStream("7A", LineForm.BLOCKS, LineSettings(), data, {})


def terminate_at(sent: Hyperframes, number: int, place: int) -> None:
    octets, special = sent[number]
    octets[:8], octets[place], octets[place + 1 : 8] = 0x50, 0xFD, 0x07
    special -= {7}
    special |= {place}


def without(sent: Hyperframes, number: int, place: int) -> None:
    sent[number][0][place] = 0x50
    sent[number][1].discard(place)


def mixed_at_the_end() -> Hyperframes:
    """Sync is lost by three missed words; behind them are words of two layouts, which make no run."""
    sent = hyperframes(10)
    for number in (4, 5, 6):
        without(sent, number, 8)
    terminate_at(sent, 8, 3)
    return sent


def both_missing_at_the_border() -> Hyperframes:
    """With origin S the /T/ block ends a hyperframe and the /S/ block begins the next: each misses its own."""
    sent = hyperframes(8, start_first=True)
    without(sent, 5, SIZE - 1)
    without(sent, 6, 0)
    return sent


def first_number_wrong() -> Hyperframes:
    """The origin is told by the steps of HFN that are right."""
    sent = hyperframes(6, start_first=True)
    sent[1][0][SIZE // 4] ^= 0x15
    return sent


CASES: dict[str, tuple[Callable[[], Hyperframes], dict[str, int], tuple[str, str]]] = {
    "mixed": (mixed_at_the_end, {"lof_events": 1, "missed_sync_bytes": 3}, ("T7_S0", "T")),
    "border": (both_missing_at_the_border, {"missed_sync_bytes": 2}, ("T7_S0", "S")),
    "number": (first_number_wrong, {"hfn_discontinuities": 1}, ("T7_S0", "S")),
}


@pytest.mark.parametrize("name", CASES)
def test_both_receivers_take_it_for_the_same(name: str) -> None:
    make, counters, layout = CASES[name]
    sent = stream(make())
    seen = seen_by_reference(sent)
    decoder, _ = decoded_stream(sent)
    assert differences(decoder, seen) == {}
    assert {counter: seen.counters[counter] for counter in counters} == counters
    assert seen.sync_word is not None and decoder.sync_word is not None
    assert (seen.sync_word["layout"], seen.sync_word["origin"]) == layout
    assert (decoder.sync_word.word.layout, decoder.sync_word.word.origin) == layout
    assert decoder.sync_word.known_by.value == seen.sync_word["known_by"] == "measured"
