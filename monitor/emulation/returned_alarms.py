"""Z.130.0 of a board that another one sends to: the alarms of its receiver, and the acknowledgement of a reset.

CPRI clause 4.2.10: LOS and LOF of a receiver go out with RAI in the next hyperframe that is possible; clause
4.2.7.6.1: radio equipment acknowledges a reset request by the reset bit in at least five hyperframes (both from
memory). The acknowledgement alone is modelled: no reset follows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from decoders.events import Alarm, AlarmRaised, Event, Origin, ResetRequested
from decoders.frame_structure.frames import ALARM_BITS

from .board_sender import BoardSender
from .sent import SentBatch

__all__ = ["ACKNOWLEDGED_HYPERFRAMES", "ReturnedAlarms"]

ACKNOWLEDGED_HYPERFRAMES = 5


class ReturnedAlarms:
    """What goes back of what a receiver finds; a reset is acknowledged where `acknowledges`."""

    def __init__(self, *, acknowledges: bool) -> None:
        self._acknowledges = acknowledges
        self._raised: set[Alarm] = set()
        self._acknowledged = 0

    def receive(self, events: Iterable[Event]) -> None:
        """Events of the receiver: an alarm that has gone again goes out for a hyperframe all the same."""
        for event in events:
            if isinstance(event, AlarmRaised) and event.origin is Origin.LOCAL:
                self._raised.add(event.alarm)
            elif isinstance(event, ResetRequested) and self._acknowledges:
                self._acknowledged = ACKNOWLEDGED_HYPERFRAMES

    def batches(self, sender: BoardSender, n: int, *, los: bool, lof: bool) -> list[SentBatch]:
        """The next n hyperframes of a sender with these alarms standing."""
        out: list[SentBatch] = []
        for hyperframes, octet in self.octets(n, los=los, lof=lof):
            sender.encoder.alarms = octet
            out += sender.batch(hyperframes)
        return out

    def octets(self, n: int, *, los: bool, lof: bool) -> Iterator[tuple[int, int]]:
        """Z.130.0 of the next n hyperframes, as (hyperframes, octet); `los` and `lof` are what stands now."""
        stands = {alarm for alarm, there in ((Alarm.LOS, los), (Alarm.LOF, lof)) if there}
        latched, self._raised = self._raised - stands, set()
        done = 0
        while done < n:
            ends = [
                n,
                *([done + 1] if latched else []),
                *([done + self._acknowledged] * bool(self._acknowledged)),
            ]
            stop = min(ends)
            octet = _octet(stands | latched)
            if self._acknowledged:
                octet |= ALARM_BITS["reset"]
                self._acknowledged -= stop - done
            yield stop - done, octet
            latched, done = set(), stop


def _octet(alarms: set[Alarm]) -> int:
    octet = ALARM_BITS["rai"] if alarms else 0
    for alarm in alarms:
        octet |= ALARM_BITS[alarm.value]
    return octet
