"""The hunt: its table of states, and what it does with windows, candidates and LOS."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.events import Alarm, AlarmCleared, AlarmRaised, CodeErrors, Origin
from decoders.line_coding.characters import LineForm, open_reader
from decoders.linerates import option_named
from decoders.link.acquisition import HUNT_TRANSITIONS, Acquisition, HuntFinding, HuntState
from decoders.link.alarms import LosDetector
from decoders.link.line_errors import LineErrors
from decoders.link.stream import LineStream
from decoders.link.sync_places import CommaPlaces

SIZE = 4096
BAD, K = 0x200, 0x100


class Hunt:
    """A hunt in flagged octets of option 1."""

    def __init__(self) -> None:
        self.stream = LineStream(open_reader(LineForm.FLAGGED, SIZE))
        self.counters = {"code_violations": 0, "disparity_errors": 0}
        errors = LineErrors(self.stream.buffer, self.counters)
        self.los = LosDetector()
        places = CommaPlaces(self.stream, option_named("1"), flags=True)
        self.hunt = Acquisition(self.stream, LineForm.FLAGGED, SIZE, places, self.los, errors)

    def feed(self, words: np.ndarray) -> None:
        self.stream.receive(words.astype("<u2").view(np.uint8))
        self.stream.read()


def words(hyperframes: float, *, k: tuple[int, ...] = (), bad: int = 0, at: int = 0) -> np.ndarray:
    out = np.zeros(int(hyperframes * SIZE), np.uint16)
    out[list(k)] = K | 0xBC
    out[at : at + bad] |= BAD
    return out


def test_every_state_has_an_answer_to_every_finding() -> None:
    assert set(HUNT_TRANSITIONS) == {(state, finding) for state in HuntState for finding in HuntFinding}


@pytest.mark.parametrize("finding", [f for f in HuntFinding if f is not HuntFinding.LOS_CLEARED])
def test_without_signal_only_its_return_counts(finding: HuntFinding) -> None:
    assert HUNT_TRANSITIONS[HuntState.NO_SIGNAL, finding] is HuntState.NO_SIGNAL


def test_nothing_is_found_in_less_than_a_window() -> None:
    hunt = Hunt()
    hunt.feed(words(0.9))
    look = hunt.hunt.step(None, final=False)
    assert (look.events, look.again, look.sync_words) == ([], False, 0)


def test_four_sync_bytes_a_hyperframe_apart_are_found() -> None:
    """CPRI clause 4.2.9, Fig. 26: XACQ1 to HFNSYNC. The hunt ends at the first of them."""
    hunt = Hunt()
    hunt.feed(words(3.01, k=(100, 100 + SIZE, 100 + 2 * SIZE)))
    look = hunt.hunt.step(None, final=False)
    assert (look.sync_words, hunt.hunt.state) == (0, HuntState.CANDIDATE)
    hunt.feed(words(1, k=(100 + 3 * SIZE - int(3.01 * SIZE),)))
    look = hunt.hunt.step(None, final=False)
    assert (look.sync_words, look.start, look.again, hunt.hunt.state) == (4, 100, True, HuntState.FOUND)


def test_at_the_end_of_the_stream_two_must_do() -> None:
    hunt = Hunt()
    hunt.feed(words(1.5, k=(0, SIZE)))
    assert hunt.hunt.step(None, final=False).sync_words == 0
    assert hunt.hunt.step(None, final=True).sync_words == 2


def test_los_comes_by_sixteen_errors_and_goes_with_a_clean_window() -> None:
    """CPRI clause 4.2.10; candidates do not count in between."""
    hunt = Hunt()
    hunt.feed(words(1, bad=16, at=50))
    look = hunt.hunt.step(7, final=False)
    assert look.events == [CodeErrors(7, 16, 0, 50), AlarmRaised(7, Alarm.LOS, Origin.LOCAL)]
    assert (hunt.counters["code_violations"], hunt.hunt.state) == (16, HuntState.NO_SIGNAL)
    # One window with an error left, with sync bytes all through, then a clean one.
    hunt.feed(words(4.5, k=tuple(9 + SIZE * i for i in range(4)), bad=1, at=70))
    look = hunt.hunt.step(7, final=False)
    assert look.sync_words == 0
    assert look.events == [CodeErrors(7, 1, 0, 70), AlarmCleared(7, Alarm.LOS, Origin.LOCAL)]
    assert hunt.hunt.state is HuntState.SEARCHING


def test_what_is_left_of_a_window_is_counted_at_the_end() -> None:
    hunt = Hunt()
    hunt.feed(words(0.5, bad=3, at=9))
    assert hunt.hunt.finish(None) == [CodeErrors(None, 3, 0, 9)]


def test_a_hunt_that_begins_at_a_lost_hyperframe_does_not_take_its_first_octet() -> None:
    hunt = Hunt()
    hunt.hunt.start(signal=True)
    hunt.feed(words(3.5, k=tuple(SIZE * i for i in range(4))))
    assert hunt.hunt.step(0, final=True).start == SIZE
    other = Hunt()
    other.los.window(16)
    other.hunt.start(signal=False)
    assert other.hunt.state is HuntState.NO_SIGNAL
