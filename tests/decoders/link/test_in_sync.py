"""What is done with hyperframes in sync, without the hunt: confirmed ones, missed sync words, LOS, gaps."""

from __future__ import annotations

import numpy as np

from decoders.arrays import U8
from decoders.counters import COUNTERS
from decoders.events import (
    Alarm,
    AlarmRaised,
    CodeErrors,
    Event,
    HyperframesNotReceived,
    Origin,
    SyncByteMissed,
    SyncStateChanged,
    UnexpectedK,
)
from decoders.line_coding.characters import LineForm
from decoders.line_coding.scrambling import HyperframeDescrambler
from decoders.linerates import option_named
from decoders.link.alarms import LosDetector
from decoders.link.descrambling import LinkDescrambler
from decoders.link.hyperframe_sync import SyncMachine
from decoders.link.in_sync import HyperframeBlock, InSync, SyncMonitors
from decoders.link.line import LinkLine
from decoders.link.parts import LinkParts
from decoders.link.planes import HyperframePlanes
from decoders.link.progress import Progress
from decoders.link.settings import LinkSettings, PlaneSettings

SIZE = 4096


class Quiet(HyperframePlanes):
    """Says nothing of what hyperframes carry."""

    def receive(self, view: U8, first: int, ahead: U8) -> list[Event]:
        return []


class Link:
    """Hyperframes of option 1 in flagged words, in sync from the first."""

    def __init__(self, words: np.ndarray, sync_words: int = 4) -> None:
        option = option_named("1")
        self.counters = dict.fromkeys(COUNTERS, 0)
        self.line = LinkLine(option, LinkSettings("1", LineForm.FLAGGED), self.counters, LinkParts())
        self.machine, self.los = SyncMachine(), LosDetector()
        planes = Quiet(option, PlaneSettings(), self.counters)
        descrambler = LinkDescrambler(option, self.counters, HyperframeDescrambler)
        self.progress = Progress(acquired_at=0)
        self.blocks: list[tuple[int, int]] = []
        monitors = SyncMonitors(self.machine, self.los, planes, descrambler)
        self.sync = InSync(option, self.line, monitors, self.progress, self.counters, self._keep)
        self.feed(words)
        self.sync.begin(sync_words)

    def _keep(self, block: HyperframeBlock) -> None:
        self.blocks.append((block.first, len(block.octets)))

    def feed(self, words: np.ndarray) -> None:
        self.line.stream.receive(words.astype("<u2").view(np.uint8))
        self.line.stream.read()

    def step(self) -> list[Event]:
        events: list[Event] = []
        self.sync.step(events)
        return events

    @property
    def moved(self) -> dict[str, int]:
        return {name: value for name, value in self.counters.items() if value}


def words(hyperframes: float, missed: tuple[int, ...] = ()) -> np.ndarray:
    out = np.zeros(int(SIZE * hyperframes), np.uint16)
    out[::SIZE] = 0x1BC
    out[[SIZE * index for index in missed]] = 0x42
    return out


def test_sync_words_that_confirmed_are_told_with_their_hyperframes() -> None:
    link = Link(words(2.5))
    assert [(e.hyperframe, e.new) for e in link.step() if isinstance(e, SyncStateChanged)] == [
        (0, "XACQ2"),
        (1, "XSYNC1"),
    ]
    assert link.blocks == [(0, 2)]
    assert [e.hyperframe for e in link.sync.finish()] == [2, 3]


def test_two_missed_sync_bytes_are_borne_and_the_third_is_lof() -> None:
    """CPRI Fig. 26: HFNSYNC, XSYNC2, XSYNC1, XACQ1; the hyperframe of the third is not decoded."""
    link = Link(words(9, missed=(5, 6)))
    told = [e for e in link.step() if isinstance(e, SyncByteMissed)]
    assert [(e.hyperframe, e.octet) for e in told] == [(5, 0x42), (6, 0x42)]
    assert (link.sync.active, link.progress.hyperframes) == (True, 9)
    lost = Link(words(9, missed=(5, 6, 7)))
    events = lost.step()
    assert AlarmRaised(7, Alarm.LOF, Origin.LOCAL) in events
    assert (lost.sync.active, lost.progress.hyperframes, lost.progress.lost_at) == (False, 7, 7 * SIZE)
    assert lost.moved == {"missed_sync_bytes": 3, "lof_events": 1}


def test_a_confirmed_sync_word_is_not_judged_again() -> None:
    link = Link(words(3, missed=(1,)), sync_words=4)
    link.step()
    assert link.moved == {}


def test_sixteen_errors_end_sync_with_their_hyperframe() -> None:
    data = words(8)
    data[5 * SIZE + 9 : 5 * SIZE + 25] |= 0x200
    link = Link(data)
    events = link.step()
    assert CodeErrors(5, 16, 0, 9) in events
    assert link.moved == {"code_violations": 16, "los_events": 1, "lof_events": 1}
    assert (link.progress.hyperframes, link.line.stream.done) == (6, 6 * SIZE)
    assert link.los.active


def test_k_elsewhere_is_one_event_a_hyperframe() -> None:
    data = words(5)
    data[[2 * SIZE + 300, 2 * SIZE + 301, 3 * SIZE + 17]] = 0x1FD
    link = Link(data)
    told = [e for e in link.step() if isinstance(e, UnexpectedK)]
    assert told == [UnexpectedK(2, 2, 18, 12, 0, 0xFD), UnexpectedK(3, 1, 1, 1, 0, 0xFD)]


def test_a_gap_is_crossed_where_it_lies() -> None:
    link = Link(words(5))
    link.line.stream.gaps.add(2 * SIZE, 3)
    events: list[Event] = []
    while link.sync.step(events):
        pass
    assert HyperframesNotReceived(2, 3) in events
    assert (link.progress.missed, link.progress.not_received, link.progress.hyperframes) == (3, 3, 5)
    assert link.blocks == [(0, 2), (2, 3)]


def test_errors_of_a_hyperframe_that_is_not_whole_are_counted_at_the_end() -> None:
    data = words(4.5)
    data[4 * SIZE + 50] |= 0x200
    link = Link(data)
    link.step()
    assert link.sync.finish() == [CodeErrors(None, 1, 0, 50)]
