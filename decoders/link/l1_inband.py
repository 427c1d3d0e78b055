"""L1 inband protocol as received (CPRI clause 4.2.7.6): version, HDLC rate code, alarms and pointer p.

Each octet is looked at twice: as received (changes, values that are not valid), and filtered: a value is accepted
when it has stood for some hyperframes, and only an accepted value moves the C&M channels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import U8
from ..events import Event, L1Accepted, L1Changed, SettingRejected
from ..frame_structure.controlwords import L1Fields
from ..linerates import LineRateOption
from .alarms import RemoteAlarms
from .settings import VALID_POINTERS, PlaneSettings, valid_rates, valid_versions

__all__ = ["FilteredValue", "L1Inband", "Stretch"]


@dataclass(slots=True)
class FilteredValue:
    """A value that is accepted when it has stood for `needed` hyperframes."""

    name: str
    needed: int
    accepted: int | None = None
    _candidate: int = -1
    _run: int = 0

    def start(self, first_three: U8) -> None:
        """Accept what two of the first three hyperframes say, else the first."""
        values = first_three.tolist()
        self.accepted = values[1] if len(values) == 3 and values[1] == values[2] else values[0]
        self._candidate, self._run = -1, 0

    def changes(self, values: U8) -> Iterator[tuple[int, int, int]]:
        """(index, old, new) of each value accepted."""
        if not self._run and (values == self.accepted).all():
            return
        for index, value in enumerate(values.tolist()):
            if value == self.accepted:
                self._run = 0
                continue
            self._run = self._run + 1 if value == self._candidate and self._run else 1
            self._candidate = value
            if self._run >= self.needed:
                old, self.accepted, self._run = self.accepted, value, 0
                yield index, int(old or 0), value


@dataclass(frozen=True, slots=True)
class Stretch:
    """Hyperframes start..end-1 of a batch with the same accepted settings.

    `new_pointer`, `new_rate`: the setting changed at its start.
    """

    start: int
    end: int
    pointer_p: int
    rate_code: int
    new_pointer: bool = False
    new_rate: bool = False


class L1Inband:
    """What subchannel 2 says, hyperframe by hyperframe; `counters` are moved in place."""

    def __init__(
        self, option: LineRateOption, settings: PlaneSettings, counters: dict[str, int], remote: RemoteAlarms
    ) -> None:
        self._option = option
        self._settings = settings
        self._counters = counters
        self.remote = remote
        self.version = FilteredValue("version", settings.filter_version)
        self.rate = FilteredValue("hdlc_rate_code", settings.filter_cm)
        self.pointer = FilteredValue("pointer_p", settings.filter_cm)
        self._rejected: dict[str, int] = {}  # value of the last hyperframe, where it was not valid
        self._before: tuple[int, int, int] | None = None  # version, rate, pointer of the last hyperframe

    def start(self, first_three: L1Fields) -> None:
        """Begin with what the first three hyperframes in sync say."""
        self.version.start(first_three.version)
        self.rate.start(first_three.rate)
        self.pointer.start(first_three.pointer)
        if self._settings.fixed_hdlc_rate_code is not None:
            self.rate.accepted = self._settings.fixed_hdlc_rate_code
        if self._settings.fixed_pointer_p is not None:
            self.pointer.accepted = self._settings.fixed_pointer_p

    def restart(self) -> None:
        """Sync is lost: nothing is compared across the gap."""
        self._before = None
        self.remote.restart()

    def receive(self, fields: L1Fields, first: int) -> Iterator[Event]:
        """What the octets say as received, hyperframes numbered from `first`."""
        for name, counter, values, valid in (
            ("version", "version_unknown", fields.version, valid_versions(self._option)),
            ("hdlc_rate_code", "hdlc_rate_invalid", fields.rate, valid_rates(self._option)),
            ("pointer_p", "pointer_invalid", fields.pointer, VALID_POINTERS),
        ):
            for index in np.flatnonzero(self._not_valid(name, counter, values, valid)).tolist():
                yield SettingRejected(first + index, name, int(values[index]))
        octets = (("version", fields.version), ("rate", fields.rate), ("pointer", fields.pointer))
        for number, (name, values) in enumerate(octets):
            before = None if self._before is None else self._before[number]
            yield from _changes(name, values, before, first)
        self._before = (int(fields.version[-1]), int(fields.rate[-1]), int(fields.pointer[-1]))
        yield from self._alarms(fields.alarms, first)

    def _alarms(self, alarms: U8, first: int) -> Iterator[Event]:
        if (alarms == alarms[0]).all() and self.remote.steady(int(alarms[0]), len(alarms)):
            return
        for index, octet in enumerate(alarms.tolist()):
            events, changed, requested = self.remote.receive(first + index, octet)
            self._counters["l1_alarm_changes"] += changed
            self._counters["reset_requests"] += requested
            yield from events

    def _not_valid(self, name: str, counter: str, values: U8, valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Count the hyperframes with a value that is not valid; True where such a run begins."""
        bad = ~valid[values]
        if not bad.any():
            self._rejected.pop(name, None)
            return bad
        self._counters[counter] += int(np.count_nonzero(bad))
        before = np.concatenate(([self._rejected.get(name, -1)], values[:-1].astype(np.int64)))
        if bad[-1]:
            self._rejected[name] = int(values[-1])
        else:
            self._rejected.pop(name, None)
        begins: NDArray[np.bool_] = bad & (before != values)
        return begins

    def accept(self, fields: L1Fields, first: int) -> tuple[list[L1Accepted], list[Stretch]]:
        """(values accepted in these hyperframes, stretches of the same settings that cover them all)."""
        settings = self._settings
        fixed = {"pointer_p": settings.fixed_pointer_p, "hdlc_rate_code": settings.fixed_hdlc_rate_code}
        stretch = Stretch(0, len(fields.pointer), self.pointer.accepted or 0, self.rate.accepted or 0)
        pairs = ((self.version, fields.version), (self.rate, fields.rate), (self.pointer, fields.pointer))
        changes = [
            (index, value, old, new) for value, values in pairs for index, old, new in value.changes(values)
        ]
        changes.sort(key=lambda change: change[0])
        events, stretches = [], []
        for index, value, old, new in changes:
            events.append(L1Accepted(first + index, value.name, old, new))
            if value is self.version:
                continue
            if (standing := fixed[value.name]) is not None:
                value.accepted = standing
                continue
            if index > stretch.start:
                stretches.append(replace(stretch, end=index))
                stretch = replace(stretch, start=index, new_pointer=False, new_rate=False)
            if value is self.pointer:
                stretch = replace(stretch, pointer_p=new, new_pointer=True)
            else:
                stretch = replace(stretch, rate_code=new, new_rate=True)
        return events, [*stretches, stretch]


def _changes(name: str, values: U8, before: int | None, first: int) -> Iterator[Event]:
    old = np.concatenate(([values[0] if before is None else before], values[:-1]))
    for index in np.flatnonzero(old != values).tolist():
        yield L1Changed(first + index, name, int(old[index]), int(values[index]))
