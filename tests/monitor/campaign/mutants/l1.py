"""Mutants of the L1 inband protocol and of start-up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from decoders.events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    Event,
    L1Changed,
    Origin,
    ResetRequested,
    StartupStateChanged,
)
from decoders.frame_structure.controlwords import L1Fields
from decoders.link.alarms import RemoteAlarms
from decoders.link.l1_inband import FilteredValue, L1Inband
from decoders.link.startup import StartupWatch

from .declaration import Mutant, parts, rearranged, settings, telling

TABLE_13, RESET, FILTER = (
    "CPRI 4.2.7.6, Table 13",
    "CPRI 4.2.7.6.1 (from memory)",
    "CPRI 4.2.7.6 (from memory)",
)
START_UP = "CPRI 4.5"


class Alarms(RemoteAlarms):
    """Z.130.0 bit by bit, with rules that can be wrong."""

    bits = ((1, "reset"), (2, "rai"), (4, "sdi"), (8, "los"), (16, "lof"))
    looked_at = 0x1F
    told_cleared = True
    told_raised = True
    one_change_each = False
    interrupted_counts = False
    again_after: int | None = None
    origin = Origin.REMOTE
    needed_more = 0
    hold = 1  # hyperframes for which a bit must stand

    def __init__(self, reset_hyperframes: int = 10) -> None:
        super().__init__(reset_hyperframes)
        self.needed = reset_hyperframes + self.needed_more
        self.run = 0
        self.candidate, self.standing = 0, 0

    def restart(self) -> None:
        self.run = 0

    def steady(self, octet: int, hyperframes: int) -> bool:
        return False

    def receive(self, hyperframe: int, octet: int) -> tuple[list[Event], int, int]:
        octet &= self.looked_at
        self.standing = self.standing + 1 if octet == self.candidate else 1
        self.candidate = octet
        events: list[Event] = []
        changed = octet ^ self.octet if self.standing >= self.hold else 0
        if changed:
            events.append(L1Changed(hyperframe, "alarms", self.octet, octet))
            for mask, name in self.bits:
                if not changed & mask:
                    continue
                if octet & mask:
                    events += [AlarmRaised(hyperframe, Alarm(name), self.origin)] * self.told_raised
                else:
                    events += [AlarmCleared(hyperframe, Alarm(name), self.origin)] * self.told_cleared
            self.octet = octet
        if octet & 1:
            self.run += 1
        elif not self.interrupted_counts:
            self.run = 0
        requested = bool(octet & 1) and self.run == self.needed
        if self.again_after is not None and self.run > self.needed:
            requested = requested or (self.run - self.needed) % self.again_after == 0
        if requested:
            events.append(ResetRequested(hyperframe))
        return (
            events,
            min(1, changed.bit_count()) if self.one_change_each else changed.bit_count(),
            int(requested),
        )


def alarms(**changes: Any) -> Any:
    return parts(remote_alarms=type("Changed", (Alarms,), changes))


def bits(*names: str) -> tuple[tuple[int, str], ...]:
    return tuple((1 << i, name) for i, name in enumerate(names))


def fields(**changes: Any) -> Any:
    """L1 fields read otherwise: each change maps the whole row of values."""

    class Changed(L1Inband):
        def changed(self, given: L1Fields) -> L1Fields:
            return replace(given, **{name: how(getattr(given, name)) for name, how in changes.items()})

        def start(self, first_three: L1Fields) -> None:
            super().start(self.changed(first_three))

        def receive(self, given: L1Fields, first: int) -> Iterator[Event]:
            yield from super().receive(self.changed(given), first)

        def accept(self, given: L1Fields, first: int) -> Any:
            return super().accept(self.changed(given), first)

    return parts(l1_inband=Changed)


def untold(counter: str, field: str) -> Any:
    class Changed(L1Inband):
        def __init__(self, option: Any, settings: Any, counters: dict[str, int], remote: Any) -> None:
            super().__init__(option, settings, counters, remote)
            self.counted = counters

        def receive(self, given: L1Fields, first: int) -> Iterator[Event]:
            before = self.counted[counter]
            for event in super().receive(given, first):
                if getattr(event, "value", None) is None or getattr(event, "field", "") != field:
                    yield event
            self.counted[counter] = before

    return parts(l1_inband=Changed)


class Filter(FilteredValue):
    """The filter hyperframe by hyperframe, with rules that can be wrong."""

    same_value = True  # all that count have one value
    in_a_row = True  # the old value between them begins the count anew

    def changes(self, values: Any) -> Iterator[tuple[int, int, int]]:
        for index, value in enumerate(values.tolist()):
            if value == self.accepted:
                self._run = 0 if self.in_a_row else self._run
                continue
            goes_on = value == self._candidate or not self.same_value
            self._run = self._run + 1 if goes_on else 1
            self._candidate = value
            if self._run >= self.needed:
                old, self.accepted, self._run = self.accepted, value, 0
                yield index, old or 0, value


def filtered(*names: str, **changes: Any) -> Any:
    how = type("Changed", (Filter,), changes)

    class Changed(L1Inband):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given)
            for name in names:
                right = getattr(self, name)
                setattr(self, name, how(right.name, right.needed))

    return parts(l1_inband=Changed)


class ResetGoesOn(RemoteAlarms):
    def restart(self) -> None:
        """Loss of sync does not begin the ten hyperframes anew."""


def version_untold(event: Event) -> Event | None:
    return None if isinstance(event, L1Changed) and event.field == "version" else event


class NothingAccepted(L1Inband):
    def accept(self, given: L1Fields, first: int) -> Any:
        """A pointer or rate code that changes in operation is not taken over."""
        standing = np.full_like
        same = replace(
            given,
            pointer=standing(given.pointer, self.pointer.accepted or 0),
            rate=standing(given.rate, self.rate.accepted or 0),
        )
        return super().accept(same, first)


class Starting(StartupWatch):
    """Start-up states told otherwise."""

    def change(self, event: StartupStateChanged) -> StartupStateChanged | None:
        return event

    def changed(self, events: Sequence[Event]) -> list[Event]:
        out: list[Event] = []
        for event in events:
            new = self.change(event) if isinstance(event, StartupStateChanged) else event
            out += [new] if new is not None else []
        return out

    def lose(self, hyperframe: int) -> list[Event]:
        return self.changed(super().lose(hyperframe))

    def receive(self, events: Sequence[Event], first: int, last: int) -> list[Event]:
        return self.changed(super().receive(events, first, last))


class NoWayBack(Starting):
    def change(self, event: StartupStateChanged) -> StartupStateChanged | None:
        return None if event.new == "B" and event.old in "CDEF" else event


class OperationAtOnce(Starting):
    def change(self, event: StartupStateChanged) -> StartupStateChanged | None:
        if event.new == "E":
            return replace(event, new="F")
        return None if (event.old, event.new) == ("E", "F") else event


class NoStateD(Starting):
    def change(self, event: StartupStateChanged) -> StartupStateChanged | None:
        if event.new == "D":
            return replace(event, new="E")
        return None if (event.old, event.new) == ("D", "E") else event


class PassiveUnknown(Starting):
    def change(self, event: StartupStateChanged) -> StartupStateChanged | None:
        return replace(event, new="D") if event.new == "G" else event


class SdiIsDefect(StartupWatch):
    """SDI leads back to state B, as RAI, LOS and LOF do."""

    def receive(self, events: Sequence[Event], first: int, last: int) -> list[Event]:
        seen: dict[int, Event] = {}
        for i, event in enumerate(events):
            if isinstance(event, L1Changed) and event.field == "alarms" and event.new & 4:
                seen[i] = replace(event, new=event.new | 2)
        out = super().receive([seen.get(i, e) for i, e in enumerate(events)], first, last)
        back = {id(new): events[i] for i, new in seen.items()}
        return [back.get(id(e), e) for e in out]


def pointer_word(control: Any) -> None:
    control[:, 194, 0] = control[:, 193, 0]


def reserved_as_alarms(control: Any) -> None:
    control[:, 130, 0] |= control[:, 130, 0] >> 4 & 0x0E


def rate_and_version(control: Any) -> None:
    control[:, (2, 66), 0] = control[:, (66, 2), 0]


ALARM_CASES = ("l1.*", "known:l1_inband")
L1_AND_STARTUP = [
    Mutant("RAI and SDI exchanged", "l1", "bit 1 is RAI, bit 2 SDI", TABLE_13, ALARM_CASES,
           alarms(bits=bits("reset", "sdi", "rai", "los", "lof"))),
    Mutant("LOS and LOF exchanged", "l1", "bit 3 is LOS, bit 4 LOF", TABLE_13, ALARM_CASES,
           alarms(bits=bits("reset", "rai", "sdi", "lof", "los"))),
    Mutant("alarm bits from the other end", "l1", "bit 0 is reset", TABLE_13, ALARM_CASES,
           alarms(bits=bits("lof", "los", "sdi", "rai", "reset"))),
    Mutant("LOF bit not looked at", "l1", "bits 0 to 4 are looked at", TABLE_13, ALARM_CASES, alarms(looked_at=0x0F)),
    Mutant("reserved alarm bits read as alarms", "l1", "bits 5 to 7 are ignored", TABLE_13,
           (*ALARM_CASES, "l1.reserved*"), rearranged(reserved_as_alarms)),
    Mutant("end of an alarm not told", "l1", "an alarm is raised and cleared", TABLE_13, ALARM_CASES,
           alarms(told_cleared=False)),
    Mutant("beginning of an alarm not told", "l1", "an alarm is raised and cleared", TABLE_13, ALARM_CASES,
           alarms(told_raised=False)),
    Mutant("several bits counted as one change", "l1", "each bit that changes counts", TABLE_13, ("l1.alarms*",),
           alarms(one_change_each=True)),
    Mutant("remote alarm told as local", "l1", "Z.130.0 is what the far end finds", "CPRI 4.2.10", ALARM_CASES,
           alarms(origin=Origin.LOCAL)),
    Mutant("alarms held for two hyperframes", "l1", "alarm bits are told as received", TABLE_13, ALARM_CASES,
           alarms(hold=2)),
    Mutant("reset after nine hyperframes", "l1", "a reset request is ten hyperframes", RESET, ("l1.reset*",),
           settings(planes={"reset_hyperframes": 9})),
    Mutant("reset after eleven hyperframes", "l1", "a reset request is ten hyperframes", RESET,
           ("l1.reset*", "known:l1_inband"), settings(planes={"reset_hyperframes": 11})),
    Mutant("interrupted reset requests add up", "l1", "ten hyperframes in a row", RESET,
           ("l1.reset, interrupted after 9 hyperframes",),
           alarms(interrupted_counts=True)),
    Mutant("standing reset requested again and again", "l1", "a standing request is one request", RESET,
           ("l1.reset*",), alarms(again_after=10)),
    Mutant("reset not counted", "delay", "a reset request is told", RESET, ("l1.reset*", "known:l1_inband"),
           alarms(needed_more=1 << 30)),
    Mutant("pointer accepted after three", "l1", "an L1 value is accepted after four hyperframes", FILTER,
           ("l1.pointer:hyperframes=3,value=30",), settings(planes={"filter_cm": 3})),
    Mutant("pointer accepted after five", "l1", "an L1 value is accepted after four hyperframes", FILTER,
           ("l1.pointer:hyperframes=4,value=30",), settings(planes={"filter_cm": 5})),
    Mutant("pointer accepted at once", "l1", "one wrong L1 value changes nothing", FILTER,
           ("l1.pointer*", "l1.rate*"), settings(planes={"filter_cm": 1})),
    Mutant("version accepted after one", "l1", "the version is accepted after five hyperframes", FILTER,
           ("l1.version*",), settings(planes={"filter_version": 1})),
    Mutant("change of the version not told", "l1", "each L1 octet that changes is told", TABLE_13,
           ("l1, one octet after the other",), telling(version_untold)),
    Mutant("pointer filter counts any other value", "l1", "four hyperframes of the same value", FILTER,
           ("l1.pointer, two values in four hyperframes",), filtered("pointer", same_value=False)),
    Mutant("pointer filter adds up", "l1", "four hyperframes in a row", FILTER,
           ("l1.pointer, interrupted after 3 hyperframes",), filtered("pointer", in_a_row=False)),
    Mutant("rate filter counts any other value", "l1", "four hyperframes of the same value", FILTER,
           ("l1.rate, two values in four hyperframes",), filtered("rate", same_value=False)),
    Mutant("rate filter adds up", "l1", "four hyperframes in a row", FILTER,
           ("l1.rate, interrupted after 3 hyperframes",), filtered("rate", in_a_row=False)),
    Mutant("version filter counts any other value", "l1", "five hyperframes of the same value", FILTER,
           ("l1.version, two values in six hyperframes",), filtered("version", same_value=False)),
    Mutant("version filter adds up", "l1", "five hyperframes in a row", FILTER,
           ("l1.version, interrupted after 4 hyperframes",), filtered("version", in_a_row=False)),
    Mutant("reset request goes on behind loss of sync", "l1", "ten hyperframes received in a row", RESET,
           ("l1.reset, interrupted by loss of sync",), parts(remote_alarms=ResetGoesOn)),
    Mutant("pointer and rate code stay as at the start", "l1", "a change of p or rate code is taken over", FILTER,
           ("l1.pointer*", "l1.rate*"), parts(l1_inband=NothingAccepted)),
    Mutant("pointer of five bits", "l1", "p has six bits", TABLE_13, ("known:places_*", "baseline", "l1.pointer*"),
           fields(pointer=lambda v: v & 31)),
    Mutant("pointer 1 to 19 passes", "l1", "p = 1 to 19 is invalid", "CPRI 4.2.7.7.2", ("l1.pointer*",),
           untold("pointer_invalid", "pointer_p")),
    Mutant("rate code of two bits", "l1", "the rate code has three bits", "CPRI Table 11",
           ("known:places_4_*", "known:places_5_6", "l1.rate*"), fields(rate=lambda v: v & 3)),
    Mutant("impossible rate code passes", "l1", "a rate code that this T has not is invalid", "CPRI Table 11",
           ("l1.rate*",), untold("hdlc_rate_invalid", "hdlc_rate_code")),
    Mutant("unknown version passes", "l1", "version 3 is not known", TABLE_13, ("l1.version*",),
           untold("version_unknown", "version")),
    Mutant("pointer read at Z.193.0", "l1", "p is in Z.194.0", TABLE_13, ("known:places_*", "baseline"),
           rearranged(pointer_word)),
    Mutant("version and rate code exchanged", "l1", "version in Z.2.0, rate code in Z.66.0", TABLE_13,
           ("known:places_*", "baseline"), rearranged(rate_and_version)),
    Mutant("no way back to state B", "l1", "LOF and remote alarms lead to state B", START_UP,
           ("known:l1_inband", "sync.comma*", "l1.*"), parts(startup=NoWayBack)),
    Mutant("operation without negotiation", "l1", "state E before F", START_UP, ("known:places_*", "baseline"),
           parts(startup=OperationAtOnce)),
    Mutant("no C&M setup state", "l1", "state D before E", START_UP,
           ("known:places_*", "baseline"), parts(startup=NoStateD)),
    Mutant("passive link not known", "l1", "no C&M at all is a passive link", START_UP, ("known:passive_link",),
           parts(startup=PassiveUnknown)),
    Mutant("SDI leads back to state B", "l1", "SDI is no defect of the link", START_UP,
           ("known:l1_inband", "l1.sdi*"),
           parts(startup=SdiIsDefect)),
]  # fmt: skip
