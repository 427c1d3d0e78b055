"""The receiver under test: the small protocol that a campaign knows, and what can stand behind it.

A campaign judges nothing but what comes through `Receiver`; what was sent it knows from the sender. Behind it
stand the project's decoder, the second receiver (monitor/reference), a Python class of one's own
(`MODULE:CLASS`) or a process (receiver_process). RECEIVERS.md tells how to write one.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol
from zlib import crc32

import numpy as np

from decoders.counters import COUNTERS, counters_of
from decoders.events import (
    AlignmentChanged,
    CodeErrors,
    Event,
    OctetsChanged,
    Plane,
    SyncStateChanged,
    UnexpectedK,
)
from decoders.line_coding.characters import LineForm
from decoders.linerates import SIXTY_FOUR_SIXTY_SIX, option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..reference.line_code import Characters
from ..reference.receiver import (
    ReferenceResult,
    ReferenceSettings,
    receive_blocks,
    receive_characters,
)
from ..reference.word_alignment import aligned_characters
from ..text import inert
from .receiver_records import (
    CountersTold,
    IqReceived,
    Record,
    ServesTold,
    StatusTold,
    events_of,
    planes_named,
)

__all__ = [
    "EVERY_PLANE",
    "OWN_DECODER",
    "SECOND_RECEIVER",
    "ProjectReceiver",
    "PythonReceiver",
    "Receiver",
    "ReceiverFactory",
    "ReceiverUnderTest",
    "ReferenceReceiver",
    "iq_octets",
    "receiver_named",
    "receiver_of",
]

EVERY_PLANE = frozenset(Plane)


class Receiver(Protocol):
    """One direction of a link, received by whoever is under test; a new one for each case.

    `serves`: planes it tells of, be it by counters alone; what is not among them is not judged and reported as
    not proven. `delivers`: those of which it tells everything that arrives (frames with their octets, changes
    with place and value, alarms with their hyperframe, IQ). Both hold from the first `receive` on at the
    latest from `finish` on, and never grow smaller.
    `counters`: the contract's counters; only those of planes in `serves` mean something.
    `state`: name of the state of the sync machine, or None where it does not say.
    `hyperframes_missed`: hyperframes that went by while sync was lost, if event numbers leave them out.
    `receive` takes the next line data, of any length, in the form that was asked for, and returns what the
    receiver says; `finish` ends the stream and returns the rest. Both may raise anything: a finding.
    """

    @property
    def serves(self) -> frozenset[Plane]: ...
    @property
    def delivers(self) -> frozenset[Plane]: ...
    @property
    def counters(self) -> Mapping[str, int]: ...
    @property
    def state(self) -> str | None: ...
    @property
    def hyperframes_missed(self) -> int: ...
    def receive(self, data: bytes, /) -> Sequence[Event]: ...
    def finish(self) -> Sequence[Event]: ...


ReceiverFactory = Callable[[LinkSettings], Receiver]


@dataclass(frozen=True, slots=True)
class ReceiverUnderTest:
    """How to make a receiver, and what it is called in reports; `own` is the project's decoder itself."""

    name: str
    make: ReceiverFactory
    own: bool = False

    def __call__(self, settings: LinkSettings) -> Receiver:
        return self.make(settings)


def iq_octets(hyperframe: np.ndarray[Any, np.dtype[np.uint8]]) -> bytes:
    """Octets of the IQ data block, W = 1 to 15 of each basic frame (256, 16, T/8), in order of transmission."""
    return hyperframe[:, 1:, :].tobytes()


class ProjectReceiver:
    """The project's LinkDecoder as a receiver under test.

    `decoder` makes another one in its place, `iq` takes the IQ octets out of a hyperframe (256, 16, T/8).
    """

    serves = delivers = EVERY_PLANE
    hyperframes_missed = 0
    """Its events count them in."""

    def __init__(
        self,
        settings: LinkSettings,
        decoder: Callable[[LinkSettings, Callable[[HyperframeBlock], None]], LinkDecoder] = LinkDecoder,
        iq: Callable[[np.ndarray[Any, np.dtype[np.uint8]]], bytes] = iq_octets,
    ) -> None:
        self.decoder = decoder(settings, self._on_block)
        self._iq = iq
        self._blocks: list[Event] = []

    def _on_block(self, block: HyperframeBlock) -> None:
        first = block.first + self.decoder.hyperframes_missed
        self._blocks += [
            IqReceived(first + i, crc32(self._iq(octets))) for i, octets in enumerate(block.octets)
        ]

    def _told(self, events: list[Event], missed: int) -> list[Event]:
        """Events with the hyperframes of the line, those missed counted in; then IQ and what is known now."""
        out: list[Event] = []
        for event in events:
            if isinstance(event, SyncStateChanged) and event.old == "XACQ1":
                missed = self.decoder.hyperframes_missed
            if missed and event.hyperframe is not None:
                event = replace(event, hyperframe=event.hyperframe + missed)
            out.append(event)
        out += self._blocks
        if self._blocks:
            planes = self.decoder.planes
            l1 = {
                "protocol_version": planes.version.accepted,
                "hdlc_rate_code": planes.rate.accepted,
                "pointer_p": planes.pointer.accepted,
            }
            known = {name: value for name, value in l1.items() if value is not None}
            last, at = planes.last, self._blocks[-1].hyperframe
            out.append(StatusTold(at, last.bfn, last.hfn, known))
        self._blocks = []
        return out

    def receive(self, data: bytes, /) -> list[Event]:
        missed = self.decoder.hyperframes_missed
        return self._told(self.decoder.receive(data), missed)

    def finish(self) -> list[Event]:
        missed = self.decoder.hyperframes_missed
        return self._told(self.decoder.finish(), missed)

    @property
    def counters(self) -> Mapping[str, int]:
        return self.decoder.counters

    @property
    def state(self) -> str:
        return self.decoder.state


def _amounts(event: Event) -> Iterable[tuple[str, int]]:
    """Counters that an event moves, each with how far."""
    if isinstance(event, CodeErrors):
        return (("code_violations", event.code_violations), ("disparity_errors", event.disparity_errors))
    if isinstance(event, AlignmentChanged):
        return ()  # RecordingReceiver counts those after the first
    by = 1
    if isinstance(event, UnexpectedK):
        by = event.count
    elif isinstance(event, OctetsChanged):
        by = len(event)
    return ((name, by) for name in counters_of(event))


class RecordingReceiver:
    """What all receivers that speak in records have in common: records in, events out, the rest remembered.

    Counters that are not told are counted from the events.
    """

    def __init__(
        self, serves: frozenset[Plane] = EVERY_PLANE, delivers: frozenset[Plane] = EVERY_PLANE
    ) -> None:
        self.serves = serves
        self.delivers = delivers
        self.state: str | None = None
        self.hyperframes_missed = 0
        self._counted = dict.fromkeys(COUNTERS, 0)
        self._told: dict[str, int] = {}
        self._slip: int | None = None
        self._says_events = self._says_serves = False

    @property
    def only_counts(self) -> bool:
        """Whether all it has told are counters, and not what it serves."""
        return bool(self._told) and not self._says_events and not self._says_serves

    @property
    def counters(self) -> Mapping[str, int]:
        return self._counted | self._told

    def take_over(self, said: Iterable[Record | Event]) -> list[Event]:
        """The events of these records; RecordError where one is not as documented."""
        out: list[Event] = []
        for one in said:
            for event in (one,) if isinstance(one, Event) else events_of(one):
                self._take(event, out)
        return out

    def _take(self, event: Event, out: list[Event]) -> None:
        if isinstance(event, CountersTold):
            self._told |= event.counters
            self.state = self.state if event.state is None else event.state
            self.hyperframes_missed = event.hyperframes_missed
            return
        if isinstance(event, ServesTold):
            self.serves, self.delivers = event.serves, event.delivers
            self._says_serves = True
            return
        self._says_events = True
        for name, by in _amounts(event):
            self._counted[name] = self._counted.get(name, 0) + by
        if isinstance(event, SyncStateChanged):
            self.state = event.new
        elif isinstance(event, AlignmentChanged):
            self._counted["realignments"] += self._slip not in (None, event.slip_bits)
            self._slip = event.slip_bits
        out.append(event)


class PythonReceiver(RecordingReceiver):
    """A Python class of one's own: `CLASS(option, form)`, `receive(data)`, perhaps `finish()`.

    Perhaps `serves` and `delivers` (names of planes; all where not said), `counters`, `state` and
    `hyperframes_missed`. What it returns are records, or events of decoders.events.
    """

    def __init__(self, made: Any) -> None:
        serves = planes_named(getattr(made, "serves", EVERY_PLANE))
        super().__init__(serves, planes_named(getattr(made, "delivers", serves)) & serves)
        self._made = made

    def receive(self, data: bytes, /) -> list[Event]:
        return self._after(self._made.receive(data))

    def finish(self) -> list[Event]:
        finish = getattr(self._made, "finish", None)
        return self._after(() if finish is None else finish())

    def _after(self, said: Iterable[Record | Event] | None) -> list[Event]:
        events = self.take_over(() if said is None else said)
        counters = getattr(self._made, "counters", None)
        if counters is not None:
            self.take_over([{"event": "counters", "counters": dict(counters)}])
        state = getattr(self._made, "state", None)
        if state is not None:
            self.state = str(state)
        self.hyperframes_missed = int(getattr(self._made, "hyperframes_missed", 0))
        return events


class ReferenceReceiver(RecordingReceiver):
    """The second receiver: it takes the whole stream at once, so everything comes from `finish`.

    It tells of line, sync, L1, Ctrl_AxC and reserved octets by counters alone, and of IQ nothing.
    """

    def __init__(self, settings: LinkSettings) -> None:
        super().__init__(EVERY_PLANE - {Plane.IQ}, frozenset((Plane.HDLC, Plane.ETHERNET, Plane.VENDOR)))
        self._settings = ReferenceSettings(settings.option)
        self._form = settings.form
        self._data = bytearray()

    def receive(self, data: bytes, /) -> list[Event]:
        self._data += data
        return []

    def finish(self) -> list[Event]:
        data, realignments = bytes(self._data), 0
        if option_named(self._settings.option).line_code == SIXTY_FOUR_SIXTY_SIX:
            return self._said(receive_blocks(data, self._form.value, self._settings))
        if self._form is LineForm.BITS:
            characters, realignments = aligned_characters(data, self._settings.option)
        elif self._form is LineForm.SYMBOLS:
            characters = Characters.from_symbols(data)
        elif self._form is LineForm.FLAGGED:
            characters = Characters.from_flagged(data)
        else:
            characters = Characters.from_octets(data)
        result = receive_characters(characters, self._settings, self._form.has_flags)
        result.counters["realignments"] = realignments
        return self._said(result)

    def _said(self, result: ReferenceResult) -> list[Event]:
        self.take_over([{"event": "counters", "counters": result.counters, "state": result.sync_state}])
        moved = result.moved_hyperframe
        rows: list[dict[str, Any]] = [
            {**row, "hyperframe": moved(row["hyperframe"])} for row in [*result.frames, *result.vendor]
        ]
        rows.sort(key=lambda row: int(row["hyperframe"]))
        return self.take_over(rows)


OWN_DECODER = ReceiverUnderTest("the project's own decoder", ProjectReceiver, own=True)
SECOND_RECEIVER = ReceiverUnderTest("the second receiver (monitor.reference)", ReferenceReceiver)
_NAMED = {"decoder": OWN_DECODER, "reference": SECOND_RECEIVER}


def receiver_named(text: str) -> ReceiverUnderTest:
    """The receiver that `decoder`, `reference` or MODULE:CLASS names; InputError where there is none.

    MODULE is imported as Python does, from the working directory first.
    """
    if text in _NAMED:
        return _NAMED[text]
    module, colon, name = text.partition(":")
    hint = "write MODULE:CLASS, decoder or reference"
    if not colon or not all(part.isidentifier() for part in [*module.split("."), *name.split(".")]):
        raise InputError(f"receiver {inert(text)!r} is no MODULE:CLASS", hint=hint)
    here = str(Path.cwd())
    sys.path.insert(0, here)
    try:
        made: Any = importlib.import_module(module)
        for part in name.split("."):
            made = getattr(made, part)
    except Exception as error:  # whatever a module of one's own does when it is imported
        why = f"{type(error).__name__}: {inert(str(error))}"
        raise InputError(f"receiver {text!r} cannot be loaded: {why}") from None
    finally:
        sys.path.remove(here)
    return receiver_of(made, text)


def receiver_of(made: Any, name: str = "") -> ReceiverUnderTest:
    """The receiver that a class of one's own is (`CLASS(option, form)`); InputError where it is no class."""
    name = name or getattr(made, "__qualname__", type(made).__name__)
    if not callable(made):
        raise InputError(
            f"receiver {inert(name)!r} is no class", hint="write MODULE:CLASS, decoder or reference"
        )
    return ReceiverUnderTest(
        name, lambda settings: PythonReceiver(made(settings.option, settings.form.value))
    )
