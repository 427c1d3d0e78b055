"""Two boards as one source: places carried from one stream to the other by BFN and HFN."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.campaign.live_link import LiveLink, Trial
from monitor.campaign.two_ended_source import CYCLE, End, TwoEnds, apart, timing_of
from monitor.errors import InputError, RefusedError
from monitor.sources.source import Injection
from tests.support.pairs import PumpedPair


def test_the_shorter_way_around_the_cycle() -> None:
    """BFN counts 0 to 4095 in 10 ms frames of 150 hyperframes: 40.96 s of 15 000 a second."""
    assert CYCLE == 4096 * 150 == 40.96 * 15_000
    assert [apart(3, 1), apart(1, 3), apart(0, CYCLE - 1), apart(CYCLE - 1, 0)] == [2, -2, 1, -1]


class Joined:
    """Both ends of a pumped pair, with receivers in sync on both."""

    def __init__(self) -> None:
        self.pair = PumpedPair(ahead=23)
        self.ends = TwoEnds(End("REC-A", self.pair.near), End("RE-1", self.pair.far), patience_s=0.05)
        self.link = LiveLink(self.ends)
        self.trial = Trial(self.link)
        self.ends.begin(self.trial)
        self.read(40)

    def read(self, hyperframes: int) -> None:
        until = self.trial.hyperframe + hyperframes
        while self.trial.feed(until):
            pass


def test_a_fault_is_placed_where_it_arrives() -> None:
    joined = Joined()
    done = joined.ends.inject("vendor.flip")
    joined.read(40)
    (seen,) = [t for t in joined.trial.timed if type(t.event).__name__ == "OctetsChanged"][:1]
    assert seen.at is not None and seen.at + joined.trial.origin == done.hyperframe
    assert done.sent is not None
    # REC-A had sent 23 before the two were joined, so what each receives is as far apart.
    assert timing_of(joined.trial)[1] - timing_of(joined.ends.near_trial)[1] == 23


def test_faults_asked_for_together_arrive_together() -> None:
    joined = Joined()
    joined.ends.shift = 23
    first = joined.ends.inject(f"vendor.flip@{joined.link.hyperframe + 64}")
    joined.read(20)
    second = joined.ends.inject(f"hdlc.fcs@{first.hyperframe}")
    assert second.hyperframe == first.hyperframe >= joined.link.hyperframe


class Elsewhere(Joined):
    """REC-A answers as told."""

    def __init__(self, **changes: object) -> None:
        super().__init__()
        self.changes = changes
        self.inject = self.pair.near.inject
        self.pair.near.inject = self._other  # type: ignore[method-assign]

    def _other(self, text: str) -> Injection:
        return replace(self.inject(text), **self.changes)  # type: ignore[arg-type]


def test_a_board_that_places_the_second_fault_elsewhere_is_refused() -> None:
    joined = Elsewhere(sent=(0, 149))
    joined.ends.shift = 23
    first = joined.ends.inject("vendor.flip")
    joined.changes["sent"] = (0, 148)
    with pytest.raises(RefusedError, match="REC-A did not place the fault in the same hyperframe"):
        joined.ends.inject(f"hdlc.fcs@{first.hyperframe}")


def test_a_place_that_was_read_already_is_an_error() -> None:
    joined = Elsewhere(sent=(0, 30))
    with pytest.raises(InputError, match=r"REC-A says .* RE-1 has received already"):
        joined.ends.inject("vendor.flip")


def test_without_bfn_and_hfn_the_marker_is_needed() -> None:
    joined = Elsewhere(sent=None)
    with pytest.raises(InputError, match="no marker has shown yet"):
        joined.ends.inject("vendor.flip")
    joined.ends.shift = 23
    assert joined.ends.inject("vendor.flip").hyperframe == joined.link.hyperframe


def test_the_silent_end_is_named() -> None:
    joined = Joined()
    joined.pair.near.line.give = lambda data: None  # type: ignore[method-assign]
    with pytest.raises(InputError, match=r"REC-A at test board \(REC-A\): no line data for 0.05 s"):
        joined.read(100_000)


def test_losses_of_either_end_count() -> None:
    joined = Joined()
    assert joined.link.lost == 0
    joined.pair.a.advance(5, room=False)
    joined.pair.b.advance(5, room=False)
    joined.pair.a.from_link(joined.pair.b.to_link(), room=False)
    joined.read(20)
    assert joined.link.lost == 5
