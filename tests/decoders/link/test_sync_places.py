"""Candidates for sync words of 8B/10B, with K flags and without, plain and scrambled."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.events import SyncByteMissed
from decoders.line_coding.characters import LineForm, open_reader
from decoders.linerates import option_named
from decoders.link.stream import LineStream
from decoders.link.sync_places import CommaPlaces
from tests.support.link_streams import hyperframes, line_data


def places(option: str, form: LineForm, data: bytes) -> tuple[CommaPlaces, LineStream]:
    stream = LineStream(open_reader(form, option_named(option).hyperframe_octets))
    stream.receive(np.frombuffer(data, np.uint8))
    stream.read()
    stream.buffer.join()
    return CommaPlaces(stream, option_named(option), flags=form.has_flags), stream


@pytest.mark.parametrize(("option", "seed"), [("2", None), ("5", None), ("5", 0x2468ACE), ("7", 1)])
@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED])
def test_sync_words_are_found_where_they_are(option: str, seed: int | None, form: LineForm) -> None:
    made = hyperframes(option, 5, version=1 if seed is None else 2)
    size = made.octets[0].size
    found, _ = places(option, form, line_data(made, form, seed=seed))
    candidates = found.candidates(0)
    assert set(range(0, 5 * size, size)) <= set(candidates.tolist())
    assert found.runs(candidates).confirmed == 0
    assert found.candidates(1).tolist()[0] > 0
    assert found.in_place(5).all()
    assert found.misplaced(5).tolist() == []


def test_without_flags_the_fillers_must_be_there_as_far_as_they_are_at_hand() -> None:
    data = bytes([0xBC, 0x50, 0x50, 0x50, 0xBC, 0xC5, 0x50, 0x50, 0xBC, 0x50, 0x51, 0x50, 0xBC, 0x50])
    found, _ = places("3", LineForm.OCTETS, data)
    assert found.candidates(0).tolist() == [0, 4, 12]


def test_without_flags_hfn_must_run() -> None:
    made = hyperframes("2", 5)
    made.octets[1, 64, 0, 0] = 3
    found, _ = places("2", LineForm.OCTETS, line_data(made, LineForm.OCTETS))
    candidates = found.candidates(0)
    size = made.octets[0].size
    assert found.hfn_runs(np.array([0, size, 2 * size])).tolist() == [False, False, True]
    assert found.runs(candidates).confirmed is None
    flagged, _ = places("2", LineForm.FLAGGED, line_data(made, LineForm.FLAGGED))
    assert flagged.runs(flagged.candidates(0)).confirmed == 0


def test_hfn_may_step_over_hyperframes_that_are_missing() -> None:
    made = hyperframes("2", 6)
    size = made.octets[0].size
    octets = line_data(made, LineForm.OCTETS)
    found, stream = places("2", LineForm.OCTETS, octets[:size] + octets[3 * size :])
    assert not found.hfn_runs(np.array([0]))[0]
    stream.gaps.add(size, 2)
    assert found.hfn_runs(np.array([0]))[0]


def test_short_runs_reach_the_end() -> None:
    made = hyperframes("2", 3)
    size = made.octets[0].size
    found, _ = places("2", LineForm.FLAGGED, line_data(made, LineForm.FLAGGED)[: 2 * (2 * size + 7)])
    assert found.short_runs(found.candidates(0)) == [(0, 3), (size, 2)]


def test_what_is_not_in_its_place() -> None:
    words = np.zeros(2 * 4096, np.uint16)
    words[[0, 17, 4096]] = 0x1BC
    words[4096] = 0xBC  # the octet without its flag
    found, _ = places("1", LineForm.FLAGGED, words.tobytes())
    assert found.in_place(2).tolist() == [True, False]
    assert found.misplaced(2).tolist() == [17]
    assert found.missed(9, 1) == SyncByteMissed(9, 0xBC, 0xBC)
