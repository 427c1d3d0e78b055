"""Scalar reference receiver of one link direction: the yardstick of crafted captures and differential tests.

Follows CPRI V7.0 clause 4.2.7 (hyperframe and control words) and clauses 4.2.9 and 4.2.10 (hyperframe sync,
LOS, LOF) for the 8B/10B options with protocol version 1 (no scrambling), over a whole stream at once and one
hyperframe after the other. It shares nothing with the batch decoders but the names of counters and the table
of line rates. It has no notion of time, and it never reads files or guesses the option.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from decoders.counters import COUNTERS, FRAME_COUNTERS
from decoders.events import FrameStatus, Plane
from decoders.linerates import option_named

from .cm_channels import (
    AcceptedValue,
    EthernetReceiver,
    Frame,
    HdlcReceiver,
    changed_places,
    ethernet_words,
    slow_channel_places,
)
from .line_code import DISPARITY, K_FLAG, VIOLATION, Character, Characters

__all__ = ["ReferenceResult", "ReferenceSettings", "receive_characters"]

_COMMA = 0xBC
_STATES = ("XACQ1", "XACQ2", "XSYNC1", "XSYNC2", "HFNSYNC")
_XSYNC1, _HFNSYNC = 2, 4
_HFN_COUNT = 150
_FILLERS_1 = (0x50, 0xC5)
_FILLER = 0x50


@dataclass(frozen=True, slots=True)
class ReferenceSettings:
    """What the receiver must be told; `option` is a line rate option with 8B/10B coding."""

    option: str
    hdlc_lsb_first: bool = True
    ethernet_lsb_first: bool = True
    max_hdlc: int = 2048
    los_threshold: int = 16
    filter_cm: int = 4
    filter_version: int = 5
    reset_min_hf: int = 10


@dataclass(slots=True)
class ReferenceResult:
    """What a stream contained.

    `frames` are in order of hyperframe (HDLC before Ethernet in one), `vendor` in order of transmission.
    `acquired_at_hyperframe`, `first` and `last` are None if sync never came; `trailing_octets` are those
    after the last decoded hyperframe.
    """

    counters: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTERS, 0))
    frames: list[dict[str, Any]] = field(default_factory=list)
    vendor: list[dict[str, int]] = field(default_factory=list)
    hyperframes: int = 0
    first: dict[str, int] | None = None
    last: dict[str, int] | None = None
    sync_state: str = "XACQ1"
    acquired_at_hyperframe: int | None = None
    acquired: list[tuple[int, int]] = field(default_factory=list)
    """Each start of sync: number of its first hyperframe, and hyperframes of the line that went by before."""
    trailing_octets: int = 0
    l1: dict[str, int | bool | None] = field(
        default_factory=lambda: {
            "protocol_version": None,
            "hdlc_rate_code": None,
            "pointer_p": None,
            "reset": False,
            "rai": False,
            "sdi": False,
            "los": False,
            "lof": False,
        }
    )

    def moved_hyperframe(self, number: int) -> int:
        """Number of a hyperframe with those counted in that went by while sync was lost."""
        missed = [gone for first, gone in self.acquired if first <= number]
        return number + (missed[-1] if missed else 0)


def receive_characters(
    chars: Characters | Iterable[Character], settings: ReferenceSettings, flags_known: bool = True
) -> ReferenceResult:
    """Receive a whole stream of `Characters`, or of (octet, K, violation, disparity) tuples.

    Without `flags_known` the flags are not looked at: a sync byte is 0xBC with its fillers and a running HFN,
    and there are no code errors. ValueError for an option that is not 8B/10B coded.
    """
    if not isinstance(chars, Characters):
        chars = Characters.from_tuples(chars)
    if not flags_known:
        chars = Characters.from_octets(chars.octets)
    return _Receiver(chars, settings, flags_known).run()


class _Receiver:
    def __init__(self, chars: Characters, settings: ReferenceSettings, flags_known: bool) -> None:
        option = option_named(settings.option)
        if option.line_code != "8b10b":
            raise ValueError(f"the reference receiver knows 8B/10B options only, not {option.name}")
        self._option = option
        self._settings = settings
        self._flags_known = flags_known
        self._octets = chars.octets
        self._flags = chars.flags
        self._n = len(chars.octets)
        self._hyperframe_octets = option.hyperframe_octets
        self._result = ReferenceResult()
        self._counters = self._result.counters
        self._hdlc = HdlcReceiver(settings.hdlc_lsb_first, settings.max_hdlc)
        self._ethernet = EthernetReceiver(settings.ethernet_lsb_first)
        self._alarms = 0
        self._forget()

    # ---- finding and keeping hyperframe sync (clause 4.2.9) ----

    def run(self) -> ReferenceResult:
        result, h = self._result, self._hyperframe_octets
        for value in range(8):
            times = self._flags.count(value)
            self._counters["code_violations"] += times * (value & VIOLATION != 0)
            self._counters["disparity_errors"] += times * (value & DISPARITY != 0)
        window = search_from = decoded_end = 0
        los, origin = False, 0
        while True:
            found, los, search_from = self._acquire(window, search_from, los)
            if found is None:
                heard = not los and any(
                    c + h >= self._n for c in self._candidates(max(search_from, self._n - h))
                )
                result.sync_state = _STATES[1 if heard else 0]
                break
            position, state = found
            if result.acquired_at_hyperframe is None:
                result.acquired_at_hyperframe = position // h
                origin = position
            result.acquired.append((result.hyperframes, round((position - origin) / h) - result.hyperframes))
            proven_until = position + 3 * h
            self._start_filters(position)
            lost = False
            while position + h <= self._n and not lost:
                if position > proven_until:
                    good = self._sync_byte(position)
                    state = min(state + 1, _HFNSYNC) if good else state - 1
                    self._counters["missed_sync_bytes"] += not good
                    if state < _XSYNC1:
                        window, search_from, los, lost = position, position + 1, False, True
                        break
                self._hyperframe(position)
                position = decoded_end = position + h
                if self._code_errors(position - h) >= self._settings.los_threshold:
                    self._counters["los_events"] += 1
                    window, search_from, los, lost = position, position, True, True
            if not lost:
                result.sync_state = _STATES[state]
                break
            self._counters["lof_events"] += 1
            self._forget()
        result.trailing_octets = self._n - decoded_end
        return result

    def _acquire(self, window: int, search_from: int, los: bool) -> tuple[tuple[int, int] | None, bool, int]:
        """The next start of sync as (position, state), if any; whether LOS stands; where the search began.

        Out of sync the stream is watched in windows of one hyperframe: too many code errors in one raise LOS,
        and the first clean one clears it; only after that a sync byte counts.
        """
        h = self._hyperframe_octets
        while True:
            while los:
                if window + h > self._n:
                    return None, True, search_from
                los = self._code_errors(window) > 0
                window += h
                search_from = window
            found = self._find(search_from)
            limit = self._n if found is None else found[0]
            while window + h <= limit and not los:
                los = self._code_errors(window) >= self._settings.los_threshold
                window += h
            if not los:
                return found, False, search_from
            self._counters["los_events"] += 1

    def _find(self, search_from: int) -> tuple[int, int] | None:
        """First sync byte with three more a hyperframe apart, else the first with all the stream can have.

        Such a short run needs a second HFN where it has neither K flags nor fillers, and no LOS in its first
        hyperframe.
        """
        last = None
        h = self._hyperframe_octets
        bare = not self._flags_known and self._option.word_octets == 1
        seen = 64 * self._option.basic_frame_octets if bare else 0
        for q in self._candidates(search_from):
            count = self._run_of_sync(q)
            if count == 4:
                return q, _HFNSYNC
            whole = count >= 2 and q + count * h >= self._n > q + h + seen
            if last is None and whole and self._code_errors(q) < self._settings.los_threshold:
                last = q, _XSYNC1 + count - 2
        return last

    def _candidates(self, start: int) -> Iterator[int]:
        q = self._octets.find(_COMMA, start)
        while q >= 0:
            if self._could_be_sync(q):
                yield q
            q = self._octets.find(_COMMA, q + 1)

    def _run_of_sync(self, q: int) -> int:
        """How many of the four sync positions from q on are good, up to the first bad or missing one."""
        expected = None
        for i in range(4):
            at = q + i * self._hyperframe_octets
            if at >= self._n or not self._could_be_sync(at):
                return i
            if not self._flags_known and i < 3 and at + 64 * self._option.basic_frame_octets < self._n:
                hfn = self._octets[at + 64 * self._option.basic_frame_octets]
                if hfn >= _HFN_COUNT or (expected is not None and hfn != expected):
                    return i
                expected = (hfn + 1) % _HFN_COUNT
        return 4

    def _could_be_sync(self, at: int) -> bool:
        if not self._sync_byte(at):
            return False
        return self._flags_known or self._fillers_right(at)

    def _sync_byte(self, at: int) -> bool:
        if self._octets[at] != _COMMA:
            return False
        return not self._flags_known or self._flags[at] & (K_FLAG | VIOLATION) == K_FLAG

    def _fillers_right(self, at: int) -> bool:
        fillers = range(at + 1, min(at + self._option.control_octets, self._n))
        return all(
            self._octets[i] in (_FILLERS_1 if i == at + 1 else (_FILLER,)) and not self._flags[i] & VIOLATION
            for i in fillers
        )

    def _code_errors(self, at: int) -> int:
        flags = self._flags[at : at + self._hyperframe_octets]
        return sum(flags.count(value) for value in range(2, 8))

    def _forget(self) -> None:
        """Sync is lost, or was never there: cut the frames under way, forget what was to be compared."""
        self._reset_channel(self._hdlc, Plane.HDLC)
        self._reset_channel(self._ethernet, Plane.ETHERNET)
        self._hfn_expected: int | None = None
        self._bfn: int | None = None
        self._control: bytes | None = None
        self._reset_run = 0

    def _reset_channel(self, channel: HdlcReceiver | EthernetReceiver, plane: Plane) -> None:
        self._counters[FRAME_COUNTERS[plane, FrameStatus.LOST_SYNC]] += channel.reset()

    # ---- one hyperframe (clause 4.2.7) ----

    def _at(self, position: int, x: int, y: int = 0) -> int:
        return self._octets[position + x * self._option.basic_frame_octets + y]

    def _start_filters(self, position: int) -> None:
        h = self._hyperframe_octets
        kept: list[int] = []
        while len(kept) < 3 and position + h <= self._n:
            kept.append(position)
            position += h
        if kept:
            settings = self._settings
            self._version = AcceptedValue([self._at(k, 2) for k in kept], settings.filter_version)
            self._rate = AcceptedValue([self._at(k, 66) & 7 for k in kept], settings.filter_cm)
            self._pointer = AcceptedValue([self._at(k, 194) & 0x3F for k in kept], settings.filter_cm)
            self._place_channels()

    def _place_channels(self) -> None:
        self._hdlc_at = slow_channel_places(self._option, self._rate.value)
        self._ethernet_at = ethernet_words(self._pointer.value)
        self._compared = list(changed_places(self._option, self._pointer.value, self._rate.value))

    def _hyperframe(self, position: int) -> None:
        result, counters, option = self._result, self._counters, self._option
        number = result.hyperframes
        result.hyperframes += 1

        flags = self._flags[position : position + self._hyperframe_octets]
        specials = sum(flags.count(value) for value in (1, 3, 5, 7))
        counters["unexpected_k"] += specials - (flags[0] & K_FLAG)
        counters["filler_mismatches"] += not self._fillers_right(position)

        hfn = self._at(position, 64)
        bfn = self._at(position, 128) | (self._at(position, 192) & 15) << 8
        self._continuity(hfn, bfn)
        here = {"bfn": bfn, "hfn": hfn}
        result.first = result.first or here
        result.last = here

        self._l1(position)
        self._changes(position, number)
        hdlc = self._hdlc.receive(self._at(position, x, y) for x, y in self._hdlc_at)
        ethernet = self._ethernet.receive(
            self._at(position, x, y) for x in self._ethernet_at for y in range(option.control_octets)
        )
        self._frames(Plane.HDLC, hdlc, number, here)
        self._frames(Plane.ETHERNET, ethernet, number, here)

    def _continuity(self, hfn: int, bfn: int) -> None:
        counters, expected = self._counters, self._hfn_expected
        if self._bfn is not None:
            follows = (self._bfn + (expected == 0)) % 4096
            counters["bfn_discontinuities"] += bfn != follows
        self._bfn = bfn
        if hfn < _HFN_COUNT:
            counters["hfn_discontinuities"] += expected is not None and hfn != expected
            expected = hfn
        else:
            counters["hfn_invalid"] += 1
        self._hfn_expected = None if expected is None else (expected + 1) % _HFN_COUNT

    def _l1(self, position: int) -> None:
        counters, option, l1 = self._counters, self._option, self._result.l1
        version, rate = self._at(position, 2), self._at(position, 66) & 7
        alarms, pointer = self._at(position, 130), self._at(position, 194) & 0x3F
        counters["version_unknown"] += not (version == 1 or (version == 2 and option.name in ("5", "6", "7")))
        counters["hdlc_rate_invalid"] += option.hdlc_octets(rate) is None
        counters["pointer_invalid"] += 1 <= pointer <= 19
        counters["l1_alarm_changes"] += ((alarms ^ self._alarms) & 0x1F).bit_count()
        self._alarms = alarms
        self._reset_run = self._reset_run + 1 if alarms & 1 else 0
        counters["reset_requests"] += self._reset_run == self._settings.reset_min_hf

        self._version.receive(version)
        new_rate, new_pointer = self._rate.receive(rate), self._pointer.receive(pointer)
        if new_rate:
            self._reset_channel(self._hdlc, Plane.HDLC)
        if new_pointer:
            self._reset_channel(self._ethernet, Plane.ETHERNET)
        if new_rate or new_pointer:
            self._place_channels()
        l1["protocol_version"] = self._version.value
        l1["hdlc_rate_code"] = self._rate.value
        l1["pointer_p"] = self._pointer.value
        for bit, name in enumerate(("reset", "rai", "sdi", "los", "lof")):
            l1[name] = bool(alarms >> bit & 1)

    def _changes(self, position: int, number: int) -> None:
        option = self._option
        control = b"".join(
            self._octets[at : at + option.control_octets]
            for at in range(position, position + self._hyperframe_octets, option.basic_frame_octets)
        )
        before, self._control = self._control, control
        if before is None or before == control:
            return
        for counter, ns, xs, y in self._compared:
            i = (ns + 64 * xs) * option.control_octets + y
            old, new = before[i], control[i]
            if old != new:
                self._counters[counter] += 1
                if counter == "vendor_changes":
                    self._result.vendor.append(
                        {"hyperframe": number, "ns": ns, "xs": xs, "y": y, "old": old, "new": new}
                    )

    def _frames(self, plane: Plane, frames: list[Frame], number: int, here: dict[str, int]) -> None:
        for frame in frames:
            self._counters[FRAME_COUNTERS[plane, frame.status]] += 1
            self._result.frames.append(
                {
                    "plane": plane.value,
                    "hyperframe": number,
                    **here,
                    "length": frame.length,
                    "status": frame.status.value,
                    "data": frame.data.hex(),
                    "fcs": frame.fcs.hex(),
                }
            )
