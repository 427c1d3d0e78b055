"""Points laid side by side: gaps, captures that begin elsewhere, numbers that are wrong."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.links.damage import Localised, LocateVerdict
from tests.support.chain_locating import located_octets, sent_hyperframes, with_numbers

ONE, TWO, THREE = "REC-A>RE-1", "RE-1>RE-2", "RE-2>RE-3"
SENT = sent_hyperframes(400)
DAMAGED = SENT.copy()
DAMAGED[250, 100, 7, 0] ^= 1


def named(result: Localised) -> list[tuple[int, list[str]]]:
    return [(damage.first, [segment.name for segment in damage.segments]) for damage in result.damages]


def test_damage_stands_on_the_first_segment_that_shows_it() -> None:
    assert named(located_octets({ONE: SENT, TWO: DAMAGED, THREE: DAMAGED})) == [(250, [TWO])]
    assert named(located_octets({ONE: SENT, TWO: SENT, THREE: DAMAGED})) == [(250, [THREE])]


@pytest.mark.parametrize("ahead", [7, -9, 3000])
def test_a_point_with_wrong_numbers_is_told_and_compared(ahead: int) -> None:
    result = located_octets({ONE: SENT, TWO: with_numbers(DAMAGED, ahead), THREE: DAMAGED})
    [damage] = result.damages
    assert [segment.name for segment in damage.segments] == [TWO]
    assert damage.first == (250 + ahead) % (4096 * 150)  # as it stands at that point
    assert result.points[1].number_shift == ahead
    assert any("BFN and HFN of the points before" in note for note in result.notes)


def test_numbers_that_jump_on_one_segment_are_of_that_segment_alone() -> None:
    jumped = SENT.copy()
    jumped[200:] = with_numbers(SENT[200:], 100_000)
    result = located_octets({ONE: SENT, TWO: jumped, THREE: SENT})
    [damage] = result.damages
    assert [segment.name for segment in damage.segments] == [TWO]
    assert damage.first == 100_200
    assert {sign.kind for sign in damage.signs} == {"hfn_discontinuities", "bfn_discontinuities"}
    assert [pair.hyperframes for pair in result.pairs] == [400, 400]


@pytest.mark.parametrize("cut", [slice(37, 390), slice(0, 300), slice(120, 350)])
def test_captures_begin_and_end_where_they_like(cut: slice) -> None:
    result = located_octets({ONE: SENT[20:], TWO: DAMAGED[cut], THREE: DAMAGED[5:]})
    assert named(result) == [(250, [TWO])]
    assert result.pairs[0].hyperframes == len(DAMAGED[max(cut.start, 20) : cut.stop])


def test_whole_hyperframes_that_a_capture_has_lost_are_a_gap_and_no_damage() -> None:
    spliced = np.concatenate((DAMAGED[:150], DAMAGED[190:]))
    result = located_octets({ONE: SENT, TWO: spliced, THREE: DAMAGED})
    assert named(result) == [(250, [TWO])]
    assert any("40 hyperframes missing in the capture behind 0.149" in note for note in result.notes)


def test_a_capture_that_lost_any_octets_is_a_gap_and_no_damage() -> None:
    torn = np.concatenate((DAMAGED.reshape(-1)[: 150 * 4096 + 999], DAMAGED.reshape(-1)[190 * 4096 + 2222 :]))
    result = located_octets({ONE: SENT, TWO: torn, THREE: DAMAGED})
    assert named(result) == [(250, [TWO])]
    assert any("missing in the capture" in note for note in result.notes)


def test_damage_in_the_gap_of_a_point_between_is_not_distinguishable() -> None:
    spliced = np.concatenate((SENT[:200], DAMAGED[290:]))
    [damage] = located_octets({ONE: SENT, TWO: spliced, THREE: DAMAGED}).damages
    assert [segment.name for segment in damage.segments] == [TWO, THREE]
    assert damage.reason == "RE-1>RE-2 does not cover these hyperframes"
    assert not damage.distinguished


def test_without_a_point_between_two_segments_cannot_be_told_apart() -> None:
    result = located_octets({ONE: SENT, THREE: DAMAGED, "RE-2>RE-1": SENT})
    [damage] = result.damages
    assert [segment.name for segment in damage.segments] == [TWO, THREE]
    assert damage.reason == "there is no point between"


def test_a_tap_at_the_transmitter_tells_the_node_from_the_line() -> None:
    points = {ONE: SENT, f"sent:{TWO}": SENT, TWO: DAMAGED}
    [damage] = located_octets(points).damages
    assert damage.entered == "on the line from RE-1 to RE-2"
    [damage] = located_octets({**points, f"sent:{TWO}": DAMAGED}).damages
    assert damage.entered == "inside RE-1"
    assert [segment.name for segment in damage.segments] == [TWO]


def test_points_that_do_not_overlap_are_incomplete_and_never_clean() -> None:
    result = located_octets({ONE: SENT[:150], TWO: SENT[200:]})
    assert result.verdict is LocateVerdict.INCOMPLETE
    assert result.pairs[0].apart.startswith("no hyperframe is in both")


def test_bfn_that_begins_anew_is_no_break() -> None:
    sent = sent_hyperframes(300, bfn=4095)
    damaged = sent.copy()
    damaged[200, 100, 7, 0] ^= 1
    result = located_octets({ONE: sent, TWO: damaged[40:]})
    assert named(result) == [(50, [TWO])]
    assert result.points[0].jumps == 0


def test_iq_data_that_a_node_delays_are_compared_where_they_are() -> None:
    frames = DAMAGED.reshape(-1, 16, 1)
    late = frames.copy()
    late[300:, 1:] = frames[:-300, 1:]
    result = located_octets({ONE: SENT, TWO: late.reshape(SENT.shape), THREE: late.reshape(SENT.shape)})
    assert named(result) == [(251, [TWO])]
    assert result.pairs[0].iq_shift_basic_frames == 300
    assert any("IQ data stand 300 basic frames later" in note for note in result.notes)
