"""A node's receiver, hyperframe by hyperframe: CPRI V7.0 Fig. 26 and clause 4.2.10 (arcs from memory)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import SenderSettings
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.node_receiver import NodeReceiver, ReceivedHyperframe
from monitor.emulation.sender import EmulatedSender
from monitor.faults.catalogue import parse_fault

OPTION = option_named("1")
SIZE = OPTION.hyperframe_octets
LOS, LOF, RAI = (ALARM_BITS[name] for name in ("los", "lof", "rai"))


def line(*faults: str, hyperframes: int = 16) -> NDArray[np.uint16]:
    sender = EmulatedSender(SenderSettings(option="1", hdlc_rate_code=2, bfn=7, hfn=141), 3, load=0.9)
    for fault in faults:
        sender.schedule(parse_fault(fault))
    writer = LineWriter(LineForm.SYMBOLS, OPTION)
    return np.concatenate([writer.symbols(batch) for batch in sender.batch(hyperframes)])


def received(receiver: NodeReceiver, symbols: NDArray[np.uint16], *cuts: int) -> list[ReceivedHyperframe]:
    out: list[ReceivedHyperframe] = []
    for part in np.split(symbols, list(cuts)):
        out += receiver.receive(part)
    return out


def told(receiver: NodeReceiver, places: Sequence[int]) -> list[int]:
    return [receiver.defects_at(place) for place in places]


def test_in_sync_from_the_place_that_is_given() -> None:
    symbols = np.concatenate((np.zeros(100, np.uint16), line()))
    receiver = NodeReceiver(OPTION, first_start=100)
    got = received(receiver, symbols, 5, 4000, 4197, 30_000)
    assert [h.start for h in got] == [100 + i * SIZE for i in range(16)]
    assert [divmod(h.number, 150) for h in got[7:11]] == [(7, 148), (7, 149), (8, 0), (8, 1)]
    assert all(h.locked for h in got) and told(receiver, [0, 50_000]) == [0, 0]
    assert sum(len(h.frames) for h in got) > 3


def test_acquires_as_in_figure_26_and_does_not_look_back() -> None:
    symbols = np.concatenate((np.full(777, 0x155, np.uint16), line()))
    receiver = NodeReceiver(OPTION)
    got = received(receiver, symbols, 40_000)
    assert [h.start for h in got] == [777 + i * SIZE for i in range(1, 16)]
    assert [h.locked for h in got[:3]] == [False, False, True]
    assert told(receiver, [776 + SIZE, 777 + SIZE]) == [RAI | LOF, 0]


@pytest.mark.parametrize(
    ("count", "reads", "alarms"),
    [(2, 16, [0, 0, 0]), (3, 16 - 2, [0, RAI | LOF, RAI | LOF])],
)
def test_a_third_missing_sync_byte_is_loss_of_frame(count: int, reads: int, alarms: list[int]) -> None:
    receiver = NodeReceiver(OPTION, first_start=0)
    got = received(receiver, line(f"sync.comma@5:count={count}"))
    assert len(got) == reads
    assert told(receiver, [7 * SIZE - 1, 7 * SIZE, 8 * SIZE]) == alarms
    assert receiver.defects_at(9 * SIZE) == 0 and receiver.state is SyncState.HFNSYNC


@pytest.mark.parametrize(("count", "lost"), [(15, False), (16, True)])
def test_loss_of_signal_by_16_characters_in_error(count: int, lost: bool) -> None:
    receiver = NodeReceiver(OPTION, first_start=0)
    received(receiver, line(f"line.violation@5:count={count}"))
    assert told(receiver, [6 * SIZE - 1, 6 * SIZE, 7 * SIZE]) == [
        0,
        (LOS | LOF | RAI) * lost,
        (LOF | RAI) * lost,
    ]
    assert receiver.counters["los_events"] == receiver.counters["lof_events"] == lost
    assert receiver.state is SyncState.HFNSYNC


def test_a_dark_line_is_judged_by_the_hyperframe_time() -> None:
    receiver = NodeReceiver(OPTION, first_start=0)
    received(receiver, line("line.dark@4:hyperframes=5"), 20_000, 20_001)
    assert receiver.progress == 16 * SIZE
    assert told(receiver, [5 * SIZE, 9 * SIZE, 10 * SIZE, 11 * SIZE]) == [LOS | LOF | RAI] * 2 + [
        LOF | RAI,
        0,
    ]


def test_a_reset_looks_for_sync_anew() -> None:
    receiver = NodeReceiver(OPTION, first_start=0)
    symbols = line()
    assert len(receiver.receive(symbols[: 6 * SIZE + 9])) == 6
    receiver.restart()
    got = receiver.receive(symbols[6 * SIZE + 9 :])
    assert [h.start for h in got] == [i * SIZE for i in range(8, 16)]
