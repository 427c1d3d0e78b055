"""That two boards are joined: markers sent at one end must be received at the other, and nowhere else.

A marker is a value, drawn at random, that a vendor specific octet has for a number of hyperframes, drawn as well. It
is received where this octet takes exactly this value for exactly so long. The first marker also measures how far the
hyperframes of the two streams are apart; every further one must be as far.

A node in between may pass vendor specific octets on. The L1 inband octets are of each line by itself (CPRI V7.0
clause 4.2.7.6), so a marker in the reserved bits of Z.130.0, which receivers ignore, shows that there is none.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoders.events import OctetsChanged, Plane
from decoders.frame_structure import controlwords as cw
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_sync import SyncState

from ..errors import InputError, RefusedError
from ..sources.source import Injection
from .live_link import LiveLink, Trial
from .two_ended_source import End, TwoEnds, apart, timing_of

__all__ = [
    "MARKERS",
    "AlarmOctets",
    "LineMarker",
    "Marker",
    "NoMarkerError",
    "Watched",
    "prove_connection",
    "prove_way_back",
]


class NoMarkerError(InputError):
    """A board takes no marker, so there is no saying whether it is connected."""


MARKERS = 3
"""At the start; one of them is enough later on."""
TRIES = 3
"""Damage on the way may hide a marker, and an octet may have its value already."""
_WITHIN, _MOST = 400, 4000
"""Hyperframes in which a marker must arrive once everything that had come was read; and in all."""
_CLEAN = 8
_DRAW = random.SystemRandom()
_RESERVED = 0xE0
"""Of Z.130.0 (CPRI V7.0 clause 4.2.7.6, Table 13)."""


class AlarmOctets:
    """Changes of the reserved bits of Z.130.0, which have no event: (hyperframe, the bits from it on)."""

    def __init__(self) -> None:
        self.changes: list[tuple[int, int]] = []
        self._last = 0

    def receive(self, block: HyperframeBlock) -> None:
        bits = block.octets[:, cw.X_ALARMS, 0, 0] & _RESERVED
        before = np.concatenate(([self._last], bits[:-1]))
        self.changes += [(block.first + i, int(bits[i])) for i in np.flatnonzero(bits != before).tolist()]
        self._last = int(bits[-1])


@dataclass(frozen=True, slots=True)
class Watched:
    """What one board receives: its events, and the reserved bits that have none."""

    trial: Trial
    alarms: AlarmOctets


@dataclass(frozen=True, slots=True)
class Marker:
    """Vendor specific octet (Ns, Xs, Y = 0) with `value` for `hyperframes`."""

    ns: int
    xs: int
    value: int
    hyperframes: int

    @classmethod
    def drawn(cls, pointer_p: int) -> Marker:
        """Some marker where vendor specific octets are: Ns 16 to p - 1, or to 63 where p is 0."""
        last = pointer_p - 1 if pointer_p else 63
        return cls(_DRAW.randint(16, last), _DRAW.randint(0, 3), _DRAW.randint(1, 255), _DRAW.randint(2, 6))

    @property
    def text(self) -> str:
        return f"vendor.value:ns={self.ns},xs={self.xs},y=0,value={self.value},hyperframes={self.hyperframes}"

    def sightings(self, seen_by: Watched) -> Iterator[int]:
        """Hyperframes of the stream in which it begins, as far as it was received whole."""
        place = (self.ns, self.xs, 0)
        changes = [
            (seen.at, change.new)
            for seen in seen_by.trial.timed
            if isinstance(seen.event, OctetsChanged)
            and seen.event.plane is Plane.VENDOR
            and seen.at is not None
            for change in seen.event.changes()
            if (change.ns, change.xs, change.y) == place
        ]
        for (begins, value), (ends, _) in pairwise(changes):
            if value == self.value and ends - begins == self.hyperframes:
                yield seen_by.trial.origin + begins


@dataclass(frozen=True, slots=True)
class LineMarker:
    """The reserved bits of Z.130.0, all set for `hyperframes`."""

    hyperframes: int

    @classmethod
    def drawn(cls, pointer_p: int) -> LineMarker:
        """Some marker; `pointer_p` makes no difference."""
        return cls(_DRAW.randint(3, 12))

    @property
    def text(self) -> str:
        return f"l1.reserved:word=0,hyperframes={self.hyperframes}"

    def sightings(self, seen_by: Watched) -> Iterator[int]:
        """Hyperframes of the stream in which it begins, as far as it was received whole."""
        for (begins, bits), (ends, after) in pairwise(seen_by.alarms.changes):
            if bits == _RESERVED and not after and ends - begins == self.hyperframes:
                yield seen_by.trial.origin + begins


Both = tuple[Watched, Watched]
"""What `near` receives, and what `far` does."""


def prove_connection(ends: TwoEnds, link: LiveLink, markers: int = MARKERS) -> None:
    """Markers from `near` to `far`; `ends.shift` is measured by them, and `ends.direct` where a line marker is taken.

    InputError where they do not arrive, arrive at the end that sends them, or not where the board says.
    """
    both = _begin(ends, link)
    if markers == 1 and ends.direct:
        _prove_line(ends, link, both, anew=ends.shift is None)
        return
    for number in range(markers):
        anew = not number and not ends.says_place
        if not _prove_once(ends, link, both, Marker, anew=anew):
            raise _not_joined(ends.far, ends.near, both[1].trial)
    try:
        _prove_line(ends, link, both, anew=False)
        ends.direct = True
    except NoMarkerError:
        ends.direct = False


def _prove_line(ends: TwoEnds, link: LiveLink, both: Both, *, anew: bool) -> None:
    if not _prove_once(ends, link, both, LineMarker, anew=anew):
        raise _through_another(ends.far, ends.near, both[1].trial)


def _prove_once(
    ends: TwoEnds, link: LiveLink, both: Both, kind: type[Marker | LineMarker], *, anew: bool
) -> bool:
    """Whether a marker of `near` has arrived at `far`; InputError where it has at another place."""
    here, there = both
    for _ in range(TRIES):
        found = _sent_and_seen(ends, link, kind, ends.near, there, here)
        if found is None:
            continue
        done, at = found
        number, count = timing_of(there.trial)
        arrived = count + at - number
        _check_place(ends, done, arrived, anew=anew)
        ends.shift = apart(arrived, ends.near_count(done))
        return True
    return False


def _through_another(end: End, sender: End, trial: Trial) -> InputError:
    """Why a marker of the line alone did not arrive."""
    if trial.receiver.state is not SyncState.HFNSYNC:
        return _no_sync(end, sender)
    return InputError(
        f"{end.name} receives no L1 inband octets of {sender.name}: another node stands between the two, or the cable"
        " was changed",
        hint=f"name the board that the cable joins with {sender.name}",
    )


def _not_joined(end: End, sender: End, trial: Trial) -> InputError:
    """Why markers of `sender` did not arrive."""
    if trial.receiver.state is not SyncState.HFNSYNC:
        return _no_sync(end, sender)
    return InputError(
        f"{end.name} does not receive what {sender.name} sends: of {TRIES} markers none has arrived",
        hint=f"check that the cable joins these two boards, in both directions: {sender.source.description}"
        f" and {end.source.description}",
    )


def _no_sync(end: End, sender: End) -> InputError:
    return InputError(
        f"{end.description}: no hyperframe sync on what it receives",
        hint=f"check that it is connected to {sender.name}; framefray watch shows what is on the link",
    )


def _check_place(ends: TwoEnds, done: Injection, arrived: int, *, anew: bool) -> None:
    """InputError where a marker does not arrive in the hyperframe that the board has named for it."""
    if done.sent is not None:
        ends.says_place = True
        off = apart(arrived, ends.count_of(done))
        if off:
            raise InputError(
                f"{ends.near.name} says that a marker was sent in BFN {done.sent[0]} HFN {done.sent[1]};"
                f" {ends.far.name} received it {off:+d} hyperframes from there",
                hint="check that no other board stands between, and what the board says",
            )
        return
    if anew or ends.shift is None:
        return
    off = apart(arrived, ends.near_count(done) + ends.shift)
    if off:
        raise InputError(
            f"{ends.near.name}: the hyperframe that it acknowledges is not that in which a fault arrives at"
            f" {ends.far.name}: {off:+d} hyperframes from one marker to the next",
            hint="let the board say BFN and HFN in its acknowledgement (PROTOCOL.md, section 6)",
        )


def prove_way_back(ends: TwoEnds, link: LiveLink) -> str | None:
    """Markers from `far` to `near`; None where they arrive, or why `far` sends none.

    InputError where they are sent and do not arrive.
    """
    there, here = _begin(ends, link)
    kinds: tuple[type[Marker | LineMarker], ...] = (Marker, LineMarker) if ends.direct else (Marker,)
    for kind in kinds:
        for _ in range(TRIES):
            try:
                seen = _sent_and_seen(ends, link, kind, ends.far, there, here)
            except NoMarkerError as reason:
                if kind is LineMarker:
                    return None
                return str(reason)
            if seen is not None:
                break
        else:
            why = _not_joined if kind is Marker else _through_another
            raise why(ends.near, ends.far, there.trial)
    return None


def _begin(ends: TwoEnds, link: LiveLink) -> Both:
    """Fresh receivers at `near` and `far`, in sync; InputError where one of them is not."""
    last = link.hyperframe + _MOST
    octets = AlarmOctets(), AlarmOctets()
    far = Trial(link, on_block=octets[1].receive)
    near = ends.begin(far, on_block=octets[0].receive)
    while min(far.receiver.hyperframes, near.receiver.hyperframes) < _CLEAN and link.hyperframe < last:
        far.feed()
    for end, other, trial in ((ends.far, ends.near, far), (ends.near, ends.far, near)):
        if trial.receiver.state is not SyncState.HFNSYNC or trial.receiver.planes.pointer.accepted is None:
            raise _no_sync(end, other)
    return Watched(near, octets[0]), Watched(far, octets[1])


def _sent_and_seen(
    ends: TwoEnds,
    link: LiveLink,
    kind: type[Marker | LineMarker],
    sender: End,
    there: Watched,
    here: Watched,
) -> tuple[Injection, int] | None:
    """Let `sender` send a marker; how it was acknowledged, and the hyperframe of the stream where it arrived.

    None where it did not arrive `there`; NoMarkerError where it is refused, InputError where it came back `here`.
    """
    assert ends.far_trial is not None
    marker = kind.drawn(there.trial.receiver.planes.pointer.accepted or 0)
    try:
        done = sender.source.inject(marker.text)
    except RefusedError as reason:
        raise NoMarkerError(
            f"{sender.description} takes no marker ({reason}), so the connection cannot be proven",
            hint=f"{marker.text.partition(':')[0]} is needed",
        ) from None
    last, read = link.hyperframe + _MOST, None
    while link.hyperframe < last and (read is None or link.hyperframe < read + _WITHIN):
        ends.far_trial.feed()
        if read is None and not ends.far.source.waiting:
            read = link.hyperframe
        if (at := next(marker.sightings(there), None)) is not None:
            if next(marker.sightings(here), None) is not None:
                raise InputError(
                    f"{sender.name} receives its own marker: its line is looped",
                    hint=f"both boards must send to each other; framefray tell {sender.source.description} loopback"
                    " pair --yes",
                )
            return done, at
    return None
