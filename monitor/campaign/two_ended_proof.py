"""That two boards are joined: markers sent at one end must be received at the other, and nowhere else.

A marker is a value, drawn at random, that a vendor specific octet has for a number of hyperframes, drawn as well. It
is received where this octet takes exactly this value for exactly so long. The first marker also measures how far the
hyperframes of the two streams are apart; every further one must be as far.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from decoders.events import OctetsChanged, Plane
from decoders.link.hyperframe_sync import SyncState

from ..errors import InputError, RefusedError
from ..sources.source import Injection
from .live_link import LiveLink, Trial
from .two_ended_source import End, TwoEnds, apart, timing_of

__all__ = ["MARKERS", "Marker", "NoMarkerError", "prove_connection", "prove_way_back", "sightings"]


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


def sightings(trial: Trial, marker: Marker) -> Iterator[int]:
    """Hyperframes of the stream in which the marker begins, as far as it was received whole."""
    place = (marker.ns, marker.xs, 0)
    changes = [
        (seen.at, change.new)
        for seen in trial.timed
        if isinstance(seen.event, OctetsChanged) and seen.event.plane is Plane.VENDOR and seen.at is not None
        for change in seen.event.changes()
        if (change.ns, change.xs, change.y) == place
    ]
    for (begins, value), (ends, _) in pairwise(changes):
        if value == marker.value and ends - begins == marker.hyperframes:
            yield trial.origin + begins


def prove_connection(ends: TwoEnds, link: LiveLink, markers: int = MARKERS) -> None:
    """Markers from `near` to `far`; `ends.shift` is measured by them.

    InputError where they do not arrive, arrive at the end that sends them, or not where the board says.
    """
    _begin(ends, link)
    for number in range(markers):
        _prove_once(ends, link, anew=not number and not ends.says_place)


def _prove_once(ends: TwoEnds, link: LiveLink, *, anew: bool) -> None:
    for _ in range(TRIES):
        found = _sent_and_seen(ends, link, ends.near, ends.far_trial, ends.near_trial)
        if found is None:
            continue
        done, at = found
        assert ends.far_trial is not None
        number, count = timing_of(ends.far_trial)
        arrived = count + at - number
        _check_place(ends, done, arrived, anew=anew)
        ends.shift = apart(arrived, ends.near_count(done))
        return
    assert ends.far_trial is not None
    raise _not_joined(ends.far, ends.near, ends.far_trial)


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
    """A marker from `far` to `near`; None where it arrives, or why `far` sends none.

    InputError where it is sent and does not arrive.
    """
    _begin(ends, link)
    for _ in range(TRIES):
        try:
            if _sent_and_seen(ends, link, ends.far, ends.near_trial, ends.far_trial) is not None:
                return None
        except RefusedError as reason:
            return str(reason)
    raise _not_joined(ends.near, ends.far, ends.near_trial)


def _begin(ends: TwoEnds, link: LiveLink) -> None:
    """Fresh receivers at both ends, in sync; InputError where one of them is not."""
    last = link.hyperframe + _MOST
    far = Trial(link)
    near = ends.begin(far)
    while min(far.receiver.hyperframes, near.receiver.hyperframes) < _CLEAN and link.hyperframe < last:
        far.feed()
    for end, other, trial in ((ends.far, ends.near, far), (ends.near, ends.far, near)):
        if trial.receiver.state is not SyncState.HFNSYNC or trial.receiver.planes.pointer.accepted is None:
            raise _no_sync(end, other)


def _sent_and_seen(
    ends: TwoEnds, link: LiveLink, sender: End, there: Trial | None, here: Trial | None
) -> tuple[Injection, int] | None:
    """Let `sender` send a marker; how it was acknowledged, and the hyperframe of the stream where it arrived.

    None where it did not arrive `there`; InputError where it came back `here`.
    """
    assert there is not None and here is not None and ends.far_trial is not None
    marker = Marker.drawn(there.receiver.planes.pointer.accepted or 0)
    try:
        done = sender.source.inject(marker.text)
    except RefusedError as reason:
        if sender is ends.far:
            raise
        raise NoMarkerError(
            f"{sender.description} takes no marker ({reason}), so the connection cannot be proven",
            hint="vendor.value is needed",
        ) from None
    last, read = link.hyperframe + _MOST, None
    while link.hyperframe < last and (read is None or link.hyperframe < read + _WITHIN):
        ends.far_trial.feed()
        if read is None and not ends.far.source.waiting:
            read = link.hyperframe
        if (at := next(sightings(there, marker), None)) is not None:
            if next(sightings(here, marker), None) is not None:
                raise InputError(
                    f"{sender.name} receives its own marker: its line is looped",
                    hint=f"both boards must send to each other; framefray tell {sender.source.description} loopback"
                    " pair --yes",
                )
            return done, at
    return None
