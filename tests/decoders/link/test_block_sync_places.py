"""Candidates for the sync word of 64B/66B: /T/ and /S/, which octet /T/ is, and where hyperframes begin.

The layout is not known for sure (CPRI V7.0 Table 9A could not be read), so these are tests of the measurement.
"""

from __future__ import annotations

import numpy as np
import pytest

from decoders.arrays import U16
from decoders.events import SyncByteMissed, SyncWordDiffers
from decoders.line_coding.block_forms import open_block_reader
from decoders.line_coding.block_lock import LockSettings
from decoders.line_coding.characters import LineForm
from decoders.line_coding.line_octets import LineOctets
from decoders.linerates import option_named
from decoders.link.block_sync_places import BlockPlaces
from decoders.link.settings import BlockSettings, BlockSyncWord
from decoders.link.stream import LineStream
from decoders.link.sync_places import SyncWordKnownBy

SIZE = 65536
HFN_AT = 64 * 256
T, S = 0x1FD, 0x1FB


def words(hyperframes: int, terminate_at: int, *, later: int = 0) -> U16:
    """Flagged words of option 7A, 0 but for sync words and HFN; frames begin `later` octets behind /T/'s block."""
    out = np.zeros(hyperframes * SIZE + 64, np.uint16)
    for i in range(hyperframes):
        block = out[i * SIZE : i * SIZE + 16]
        block[:] = 0x50
        block[terminate_at:8] = 0x07
        block[terminate_at], block[8] = T, S
        out[i * SIZE + HFN_AT + later] = 30 + i
    return out


def places(data: U16, form: LineForm = LineForm.FLAGGED, **settings: object) -> BlockPlaces:
    stream = LineStream(open_block_reader(form, LockSettings()))
    raw = data.astype(np.uint8) if form is LineForm.OCTETS else data.astype("<u2").view(np.uint8)
    stream.receive(raw)
    stream.read()
    stream.buffer.join()
    chosen = BlockSettings(**settings)  # type: ignore[arg-type]
    return BlockPlaces(stream, option_named("7A"), chosen, flags=form.has_flags)


@pytest.mark.parametrize("form", [LineForm.FLAGGED, LineForm.OCTETS])
@pytest.mark.parametrize("terminate_at", range(8))
@pytest.mark.parametrize("later", [0, 8])
def test_place_of_terminate_and_origin_are_measured(form: LineForm, terminate_at: int, later: int) -> None:
    found = places(words(4, terminate_at, later=later), form)
    candidates = found.candidates(0)
    assert candidates.tolist() == [8 * SIZE * i + terminate_at for i in range(4)]
    confirmed = found.runs(candidates).confirmed
    assert confirmed == terminate_at
    assert found.begin(confirmed) == later
    reading = found.reading
    assert reading is not None
    assert reading.word == BlockSyncWord(terminate_at, later == 8)
    assert reading.known_by is SyncWordKnownBy.MEASURED


def test_where_hfn_does_not_run_the_usual_origin_is_assumed() -> None:
    data = words(4, 7)
    data[HFN_AT::SIZE] = 9
    found = places(data)
    assert found.begin(found.candidates(0).tolist()[0]) == 0
    assert found.reading is not None
    assert found.reading.known_by is SyncWordKnownBy.ASSUMED
    bare = places(data, LineForm.OCTETS)
    assert bare.runs(bare.candidates(0)).confirmed is None


def test_a_run_has_one_place_of_terminate() -> None:
    data = words(5, 7)
    data[:16] = words(1, 4)[:16]
    found = places(data)
    assert found.runs(found.candidates(0)).confirmed == 8 * SIZE + 7


def test_a_block_that_could_not_be_read_may_have_terminate_anywhere() -> None:
    """It stands as T7, whatever was sent; the run behind it says which."""
    found = places(words(5, 3))
    buffer = found._buffer
    octets = buffer.octets.copy()
    octets[:8] = [0x50] * 7 + [0xFD]
    k = np.array([7, *buffer.k.tolist()[1:]])
    buffer.clear()
    buffer.append(LineOctets(octets, k, unread=np.array([0])))
    buffer.join()
    assert found.runs(found.candidates(0)).confirmed == 3


def test_octets_that_are_not_at_hand_are_not_judged() -> None:
    data = words(4, 7)[: 3 * SIZE + 12]
    found = places(data, LineForm.OCTETS)
    assert (found.runs(found.candidates(0)).confirmed, found.runs(found.candidates(0)).undecided) == (None, 7)


def test_another_layout_than_the_usual_one_is_said_once() -> None:
    found = places(words(4, 2))
    found.begin(2)
    assert found.difference(5) == [SyncWordDiffers(5, "T2_S0", "T")]
    assert found.difference(6) == []
    usual = places(words(4, 7))
    usual.begin(7)
    assert usual.difference(5) == []


def test_in_sync_both_blocks_must_be_there() -> None:
    data = words(4, 7)
    data[SIZE + 7] &= 0xFF  # no flag
    data[2 * SIZE + 8] = 0x50
    found = places(data)
    found.begin(7)
    assert found.in_place(4).tolist() == [True, False, False, True]
    assert found.missed(11, 1) == SyncByteMissed(11, 0xFD, 0xFD)


def test_what_stands_beside_them_is_judged_where_it_is_asked_for() -> None:
    data = words(4, 5)
    data[SIZE + 6] = 0x50  # idle behind /T/
    data[2 * SIZE + 2] = 0x51
    found = places(data)
    found.begin(5)
    good = found.in_place(4)
    assert good.all()
    assert [event.hyperframe for event in found.filler_mismatches(good, 100)] == [101, 102]
    strict = places(data, strict=True)
    strict.begin(5)
    assert strict.in_place(4).tolist() == [True, False, False, True]


def test_characters_in_the_two_blocks_are_not_misplaced() -> None:
    data = words(2, 7)
    data[[500, SIZE + 3, SIZE + 12]] = T
    found = places(data)
    found.begin(7)
    assert found.misplaced(2).tolist() == [500]
    later = places(words(2, 7, later=8))
    later.begin(7)
    assert later.sync_blocks() == (SIZE - 8, 0)
