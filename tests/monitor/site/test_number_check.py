"""BFN and HFN of points against what their hyperframes carry."""

from __future__ import annotations

import numpy as np

from decoders.arrays import U8
from tests.support.chain_locating import located_octets, sent_hyperframes, with_numbers

ONE, TWO = "REC-A>RE-1", "RE-1>RE-2"
SENT = sent_hyperframes(400)


def slow() -> U8:
    """Hyperframes in which only two words change, once in 150 hyperframes."""
    octets = np.repeat(SENT[:1], 450, axis=0)
    octets = with_numbers(octets, 0)
    numbers = np.arange(450)
    octets[:, 64, 0, 0], octets[:, 128, 0, 0] = numbers % 150, numbers // 150
    octets[:, 17, 0, 0] = octets[:, 18, 0, 0] = numbers // 150
    return octets


def test_content_that_begins_to_stand_later_is_followed_and_told() -> None:
    late = SENT.copy()
    late[200:, :, 1:] = SENT[199:-1, :, 1:]
    for ns in (*range(4, 8), *range(16, 40)):
        for xs in range(4):
            late[200:, ns + 64 * xs, 0] = SENT[199:-1, ns + 64 * xs, 0]
    result = located_octets({ONE: SENT, TWO: late})
    assert result.damages == ()
    assert any("RE-1>RE-2: from 1.50 on the data stand 1 hyperframe later" in note for note in result.notes)


def test_a_slow_change_that_comes_late_is_no_damage() -> None:
    octets = slow()
    late = octets.copy()
    late[1:, [17, 18], 0, 0] = octets[:-1, [17, 18], 0, 0]
    result = located_octets({ONE: octets, TWO: late})
    assert result.damages == ()
    assert any("data stand 1 hyperframe later" in note for note in result.notes)


def test_a_gap_of_a_slow_capture_is_found_when_something_changes() -> None:
    octets = slow()
    spliced = np.concatenate((octets[:130], octets[142:]))
    result = located_octets({ONE: octets, TWO: spliced})
    assert result.damages == ()
    assert any("12 hyperframes missing in the capture behind 0.129" in note for note in result.notes)


def test_damage_that_lasts_moves_no_numbers() -> None:
    damaged = SENT.copy()
    damaged[200:, 17, 0, 0] ^= 0x40
    [damage] = located_octets({ONE: SENT, TWO: damaged}).damages
    assert (damage.first, damage.hyperframes) == (200, 200)
