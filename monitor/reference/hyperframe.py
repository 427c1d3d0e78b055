"""Scalar reference of what a hyperframe in sync says: timing, L1 octets, C&M channels, changes of octets.

CPRI V7.0 clause 4.2.7, one hyperframe after the other, each with its octets as received (version 2 is descrambled
here). It never looks for hyperframes.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy

from decoders.counters import FRAME_COUNTERS
from decoders.events import FrameStatus, Plane
from decoders.linerates import LineRateOption

from .cm_channels import (
    AcceptedValue,
    EthernetReceiver,
    Frame,
    HdlcReceiver,
    changed_places,
    ethernet_words,
    slow_channel_places,
)
from .keystream import VersionTwo
from .results import ReferenceResult, ReferenceSettings

__all__ = ["HyperframeReader"]

_HFN_COUNT = 150
_VERSION_2_OPTIONS = ("5", "6", "7")


class HyperframeReader:
    """Reads hyperframes into `result`, one `read` each."""

    def __init__(self, option: LineRateOption, settings: ReferenceSettings, result: ReferenceResult) -> None:
        self._option = option
        self._settings = settings
        self._result = result
        self._counters = result.counters
        self._hdlc = HdlcReceiver(settings.hdlc_lsb_first, settings.max_hdlc)
        self._ethernet = EthernetReceiver(settings.ethernet_lsb_first)
        self._alarms = 0
        self._version_2: VersionTwo | None = None
        if option.name in _VERSION_2_OPTIONS:
            self._version_2 = VersionTwo(option.hyperframe_octets, 2 * option.basic_frame_octets)
        self.forget()

    def forget(self) -> None:
        """Sync is lost, or was never there: cut the frames under way, forget what was to be compared."""
        self._reset_channel(self._hdlc, Plane.HDLC)
        self._reset_channel(self._ethernet, Plane.ETHERNET)
        self._hfn_expected: int | None = None
        self._bfn: int | None = None
        self._control: bytes | None = None
        self._reset_run = 0

    def _reset_channel(self, channel: HdlcReceiver | EthernetReceiver, plane: Plane) -> None:
        self._counters[FRAME_COUNTERS[plane, FrameStatus.LOST_SYNC]] += channel.reset()

    def _at(self, frame: bytes, x: int, y: int = 0) -> int:
        return frame[x * self._option.basic_frame_octets + y]

    def start(self, frames: Sequence[bytes]) -> None:
        """Sync is there; `frames` are the first three hyperframes as received, as far as there are any."""
        if not frames:
            return
        if self._version_2 is not None:
            ahead = deepcopy(self._version_2)
            frames = [ahead.descramble(frame, self._option.word_octets)[0] for frame in frames]
        settings = self._settings
        self._version = AcceptedValue([self._at(f, 2) for f in frames], settings.filter_version)
        self._rate = AcceptedValue([self._at(f, 66) & 7 for f in frames], settings.filter_cm)
        self._pointer = AcceptedValue([self._at(f, 194) & 0x3F for f in frames], settings.filter_cm)
        self._place_channels()

    def _place_channels(self) -> None:
        self._hdlc_at = slow_channel_places(self._option, self._rate.value)
        self._ethernet_at = ethernet_words(self._pointer.value)
        self._compared = list(changed_places(self._option, self._pointer.value, self._rate.value))

    def plain(self, frame: bytes) -> bytes:
        """The octets of the next hyperframe without the scrambling of version 2."""
        if self._version_2 is None:
            return frame
        frame, changed, unreliable = self._version_2.descramble(frame, self._option.word_octets)
        self._counters["scrambling_seed_changes"] += changed
        self._counters["scrambling_unreliable"] += unreliable
        seed = self._version_2.seed
        self._result.scrambling = None if seed is None else {"version": 2, "seed": seed}
        return frame

    def read(self, frame: bytes) -> None:
        """The next hyperframe, plain."""
        result, option = self._result, self._option
        number = result.hyperframes
        result.hyperframes += 1

        hfn = self._at(frame, 64)
        bfn = self._at(frame, 128) | (self._at(frame, 192) & 15) << 8
        self._continuity(hfn, bfn)
        here = {"bfn": bfn, "hfn": hfn}
        result.first = result.first or here
        result.last = here

        self._l1(frame)
        self._changes(frame, number)
        hdlc = self._hdlc.receive(self._at(frame, x, y) for x, y in self._hdlc_at)
        ethernet = self._ethernet.receive(
            self._at(frame, x, y) for x in self._ethernet_at for y in range(option.control_octets)
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

    def _l1(self, frame: bytes) -> None:
        counters, option, l1 = self._counters, self._option, self._result.l1
        version, rate = self._at(frame, 2), self._at(frame, 66) & 7
        alarms, pointer = self._at(frame, 130), self._at(frame, 194) & 0x3F
        counters["version_unknown"] += not (
            version == 1 or (version == 2 and option.name in _VERSION_2_OPTIONS)
        )
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

    def _changes(self, frame: bytes, number: int) -> None:
        option = self._option
        control = b"".join(
            frame[at : at + option.control_octets] for at in range(0, len(frame), option.basic_frame_octets)
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
