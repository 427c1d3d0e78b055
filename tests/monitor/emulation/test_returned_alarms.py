"""Alarms that a board sends back: RAI with LOS and LOF, for a hyperframe at least, and five of acknowledgement."""

from __future__ import annotations

from decoders.events import Alarm, AlarmCleared, AlarmRaised, Origin, ResetRequested
from decoders.frame_structure.frames import ALARM_BITS
from monitor.emulation.board import BoardSetup
from monitor.emulation.returned_alarms import ReturnedAlarms
from monitor.protocol.records import Loopback
from tests.support.boards import PumpedBoard
from tests.support.pairs import PumpedPair

RESET, RAI, LOS, LOF = (ALARM_BITS[name] for name in ("reset", "rai", "los", "lof"))
LOCAL_LOS = AlarmRaised(7, Alarm.LOS, Origin.LOCAL)


def octets(alarms: ReturnedAlarms, n: int, *, los: bool = False, lof: bool = False) -> list[int]:
    return [octet for count, octet in alarms.octets(n, los=los, lof=lof) for _ in range(count)]


def test_what_stands_is_sent_with_rai() -> None:
    alarms = ReturnedAlarms(acknowledges=True)
    assert octets(alarms, 3) == [0, 0, 0]
    assert octets(alarms, 2, los=True, lof=True) == [RAI | LOS | LOF] * 2
    assert octets(alarms, 2, lof=True) == [RAI | LOF] * 2


def test_an_alarm_that_came_and_went_is_sent_for_one_hyperframe() -> None:
    alarms = ReturnedAlarms(acknowledges=True)
    alarms.receive([LOCAL_LOS, AlarmCleared(8, Alarm.LOS, Origin.LOCAL)])
    assert octets(alarms, 3) == [RAI | LOS, 0, 0]
    assert octets(alarms, 1) == [0]


def test_a_remote_alarm_is_not_sent_back() -> None:
    alarms = ReturnedAlarms(acknowledges=True)
    alarms.receive([AlarmRaised(7, Alarm.RAI, Origin.REMOTE), AlarmRaised(7, Alarm.SDI, Origin.REMOTE)])
    assert octets(alarms, 2) == [0, 0]


def test_a_reset_request_is_acknowledged_in_five_hyperframes() -> None:
    """CPRI clause 4.2.7.6.1, at least five (from memory)."""
    alarms = ReturnedAlarms(acknowledges=True)
    alarms.receive([ResetRequested(9), LOCAL_LOS])
    assert octets(alarms, 3) == [RESET | RAI | LOS, RESET, RESET]
    assert octets(alarms, 4) == [RESET, RESET, 0, 0]
    alarms = ReturnedAlarms(acknowledges=False)
    alarms.receive([ResetRequested(9)])
    assert octets(alarms, 2) == [0, 0]


def test_an_re_acknowledges_and_an_rec_does_not() -> None:
    pair = PumpedPair()
    for sender, listener, count in ((pair.near, pair.a, 2), (pair.far, pair.b, 0)):
        before = listener.decoder.counters["l1_alarm_changes"]
        sender.inject("l1.reset:hyperframes=10")
        for _ in range(6):
            pair.pump()
        assert listener.decoder.counters["l1_alarm_changes"] - before == count


def test_a_board_that_loops_back_sends_no_alarm_of_its_own() -> None:
    source = PumpedBoard(BoardSetup(name="RE-1", loopback=Loopback.INTERNAL))
    chunks = source.chunks()
    for fault in ("line.violation:count=16", "l1.reset:hyperframes=10"):
        next(chunks)
        source.inject(fault)
        for _ in range(5):
            next(chunks)
    counters = source.board.decoder.counters
    assert (counters["los_events"], counters["reset_requests"], counters["l1_alarm_changes"]) == (1, 1, 2)
