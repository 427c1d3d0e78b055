"""Mutants of hyperframe sync, LOS, HFN and BFN."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from decoders.events import BfnDiscontinuity, Event, FillerMismatch, HfnDiscontinuity, HfnInvalid
from decoders.link.alarms import LosDetector
from decoders.link.hyperframe_sync import FallBack, SyncMachine, SyncState
from decoders.link.sync_word import FillerCheck
from decoders.link.timing import TimingCheck

from .declaration import Mutant, parts, rearranged, settings

SYNC, NUMBERS = "CPRI 4.2.9, Fig. 26", "CPRI 4.2.7.3"
_S = SyncState


class Sticky(SyncMachine):
    """A bad sync byte in HFNSYNC changes nothing."""

    def step(self, good: bool) -> SyncState:
        return self.state if self.state is _S.HFNSYNC and not good else super().step(good)


class FourMisses(SyncMachine):
    """It takes four bad sync bytes to lose sync."""

    spare = 0

    def step(self, good: bool) -> SyncState:
        if good:
            self.spare = 0
        elif self.state is _S.XSYNC1 and not self.spare:
            self.spare = 1
            return self.state
        return super().step(good)


class TwoMisses(SyncMachine):
    def step(self, good: bool) -> SyncState:
        return super().step(good) if good or self.state is not _S.XSYNC2 else self._lost()

    def _lost(self) -> SyncState:
        self.lose()
        return self.state


class HastyUp(SyncMachine):
    """One good sync byte leads from XSYNC1 to HFNSYNC."""

    def step(self, good: bool) -> SyncState:
        if good and self.state is _S.XSYNC1:
            self.state = _S.HFNSYNC
            return self.state
        return super().step(good)


class SlowUp(SyncMachine):
    """A good sync byte does not lead back from XSYNC2 once HFNSYNC was left."""

    left = False

    def step(self, good: bool) -> SyncState:
        if self.state is _S.HFNSYNC and not good:
            self.left = True
        if good and self.left and self.state in (_S.XSYNC1, _S.XSYNC2):
            return self.state
        return super().step(good)

    def lose(self) -> None:
        self.left = False
        super().lose()


class StaysAtLos(SyncMachine):
    def lose(self) -> None:
        """LOS is not looked at."""


class AfterOne(SyncMachine):
    """HFNSYNC at the first sync byte of all."""

    confirming = 1

    def step(self, good: bool) -> SyncState:
        if good and self.state is _S.XACQ1:
            self.state = _S.HFNSYNC
            return self.state
        return super().step(good)


class AfterTwo(SyncMachine):
    confirming = 2

    def step(self, good: bool) -> SyncState:
        if good and self.state is _S.XACQ2:
            self.state = _S.HFNSYNC
            return self.state
        return super().step(good)


class AfterThree(SyncMachine):
    confirming = 3

    def step(self, good: bool) -> SyncState:
        if good and self.state is _S.XSYNC1:
            self.state = _S.HFNSYNC
            return self.state
        return super().step(good)


class NoLos(LosDetector):
    def window(self, errors: int) -> bool | None:
        return None


class LosForOne(LosDetector):
    """One clean hyperframe is not waited for: fewer errors than the threshold clear LOS."""

    def window(self, errors: int) -> bool | None:
        if self.active and errors < self.threshold:
            return super().window(0)
        return super().window(errors)


class LosForTwo(LosDetector):
    """LOS clears after two clean hyperframes."""

    def __init__(self, threshold: int) -> None:
        super().__init__(threshold)
        self.clean = 0

    def window(self, errors: int) -> bool | None:
        self.clean = self.clean + 1 if not errors else 0
        if self.active and self.clean == 1:
            return None
        return super().window(errors)


class LosAcross(LosDetector):
    """Errors of two neighbouring hyperframes add up."""

    def __init__(self, threshold: int) -> None:
        super().__init__(1)  # or the decoder would not ask about hyperframes with few errors
        self.limit = threshold
        self.before = 0

    def window(self, errors: int) -> bool | None:
        both, self.before = errors + self.before, errors
        if not self.active and errors and both >= self.limit:
            self.active = True
            return True
        if self.active and not errors:
            self.active = False
            return False
        return None


class AnyFiller(FillerCheck):
    def receive(self, first_words: Any, first: int) -> Iterator[Event]:
        yield from ()


class OnlyOneFiller(FillerCheck):
    """D5.6 beside the sync byte is a mismatch."""

    def __init__(self, option: Any, counters: dict[str, int]) -> None:
        super().__init__(option, counters)
        self.counters = counters

    def receive(self, first_words: Any, first: int) -> Iterator[Event]:
        if first_words.shape[1] == 1:
            return
        for index in np.flatnonzero((first_words[:, 1:] != 0x50).any(axis=1)).tolist():
            self.counters["filler_mismatches"] += 1
            yield FillerMismatch(first + index, first_words[index, 1:].tobytes())


class FirstFillerOnly(FillerCheck):
    """Z.0.1 is looked at, the octets behind it are not."""

    def receive(self, first_words: Any, first: int) -> Iterator[Event]:
        words = first_words.copy()
        words[:, 2:] = 0x50
        yield from super().receive(words, first)


class Numbers(TimingCheck):
    """HFN and BFN followed one by one, with rules that can be wrong."""

    hfn_modulus = 150
    first_invalid = 150
    bfn_modulus = 4096
    bfn_mask = 0xFFF
    invalid_is_jump = False
    follows = True
    repeats_pass = False
    bfn_steps_at = 0
    bfn_told = True
    invalid_forgets = False

    def __init__(self, counters: dict[str, int]) -> None:
        super().__init__(counters)
        self.counters = counters
        self.hfn: int | None = None
        self.bfn: int | None = None

    def restart(self) -> None:
        self.hfn = self.bfn = None

    def receive(self, hfn: Any, bfn: Any, first: int) -> Iterator[Event]:
        for number, (h, b) in enumerate(
            zip(hfn.tolist(), (bfn & self.bfn_mask).tolist(), strict=True), first
        ):
            valid = h < self.first_invalid
            jump = self.hfn is not None and h != self.hfn and not (self.repeats_pass and h == self.hfn - 1)
            if not valid and not self.invalid_is_jump:
                self.counters["hfn_invalid"] += 1
                yield HfnInvalid(number, h)
            elif jump:
                self.counters["hfn_discontinuities"] += 1
                yield HfnDiscontinuity(number, self.hfn or 0, h)
            if self.bfn is not None and b != self.bfn and self.bfn_told:
                self.counters["bfn_discontinuities"] += 1
                yield BfnDiscontinuity(number, self.bfn, b)
            now = h if valid and (self.follows or self.hfn is None) else self.hfn
            now = now if valid or not self.invalid_forgets else None
            self.hfn = None if now is None else (now + 1) % self.hfn_modulus
            now_b = b if self.follows or self.bfn is None else self.bfn
            self.bfn = (now_b + (self.hfn == self.bfn_steps_at)) % self.bfn_modulus


def numbers(**changes: Any) -> Any:
    return parts(timing=type("Changed", (Numbers,), changes))


def bfn_exchanged(control: Any) -> None:
    control[:, (128, 192), 0] = control[:, (192, 128), 0]


def bfn_at_130(control: Any) -> None:
    control[:, 192, 0] = control[:, 130, 0]


def bfn_of_all_bits(control: Any) -> None:
    control[:, 192, 0] ^= control[:, 192, 0] >> 4


def hfn_at_65(control: Any) -> None:
    control[:, 64, 0] = control[:, 65, 0]


LOSS = ("line.violation*", "line.dark*")
MISSES = ("sync.comma*",)
SYNC_AND_NUMBERS = [
    Mutant("no loss of sync by missed sync bytes", "sync", "three bad sync bytes lose sync", SYNC, MISSES,
           parts(sync=Sticky)),
    Mutant("four misses to lose sync", "sync", "three bad sync bytes lose sync", SYNC, MISSES,
           parts(sync=FourMisses)),
    Mutant("two misses lose sync", "sync", "three bad sync bytes lose sync", SYNC, MISSES, parts(sync=TwoMisses)),
    Mutant("one miss loses sync", "sync", "a bad sync byte falls back by one state", SYNC, MISSES,
           settings(fall_back=FallBack.TO_START)),
    Mutant("HFNSYNC straight from XSYNC1", "sync", "a good sync byte leads up by one state", SYNC,
           (*MISSES, "sync.*"), parts(sync=HastyUp)),
    Mutant("no way back from XSYNC2", "sync", "a good sync byte leads up by one state", SYNC, MISSES,
           parts(sync=SlowUp)),
    Mutant("LOS does not lose sync", "sync", "LOS leads to XACQ1 from every state", SYNC, LOSS,
           parts(sync=StaysAtLos)),
    Mutant("sync after one K28.5", "sync", "four sync bytes in their places reach HFNSYNC", SYNC,
           ("sync.*", "line.*"), parts(sync=AfterOne)),
    Mutant("sync after two K28.5", "sync", "four sync bytes in their places reach HFNSYNC", SYNC,
           ("sync.*", "baseline"), parts(sync=AfterTwo)),
    Mutant("sync after three K28.5", "sync", "four sync bytes in their places reach HFNSYNC", SYNC,
           ("sync.*", "baseline"), parts(sync=AfterThree)),
    Mutant("no LOS at all", "line", "16 code errors in one hyperframe are LOS", "CPRI 4.2.10.2", LOSS,
           parts(los=NoLos)),
    Mutant("LOS from 17 on", "line", "16 code errors in one hyperframe are LOS", "CPRI 4.2.10.2", LOSS,
           settings(los_threshold=17)),
    Mutant("LOS from 15 on", "line", "15 code errors in one hyperframe are no LOS", "CPRI 4.2.10.2", LOSS,
           settings(los_threshold=15)),
    Mutant("LOS clears below 16 errors", "line", "one clean hyperframe clears LOS", "CPRI 4.2.10.2 (from memory)",
           ("line.violation, 16 then 1",), parts(los=LosForOne)),
    Mutant("LOS clears after two clean hyperframes", "line", "one clean hyperframe clears LOS",
           "CPRI 4.2.10.2 (from memory)", ("line.violation:count=16",), parts(los=LosForTwo)),
    Mutant("errors of two hyperframes add up to LOS", "line", "the window of LOS is one hyperframe",
           "CPRI 4.2.10.2 (from memory)", ("line.violation, 8 and 8*",), parts(los=LosAcross)),
    Mutant("fillers not looked at", "sync", "Z.0.1 is D16.2 or D5.6, what follows D16.2", "CPRI Table 9",
           ("sync.filler*",), parts(fillers=AnyFiller)),
    Mutant("D5.6 refused", "sync", "Z.0.1 may be D5.6", "CPRI Table 9", ("sync.filler*", "known:places_2_3"),
           parts(fillers=OnlyOneFiller)),
    Mutant("only the first filler looked at", "sync", "Z.0.2 and behind are D16.2", "CPRI Table 9",
           ("sync.filler:y=2",), parts(fillers=FirstFillerOnly), option="4"),
    Mutant("HFN counts to 255", "sync", "HFN counts 0 to 149", NUMBERS, ("baseline", "known:frame_numbers"),
           numbers(hfn_modulus=256)),
    Mutant("HFN 150 valid", "sync", "HFN 150 to 255 are invalid", NUMBERS, ("sync.hfn*",),
           numbers(first_invalid=151)),
    Mutant("HFN 149 invalid", "sync", "HFN 149 is valid", NUMBERS, ("baseline", "known:frame_numbers"),
           numbers(first_invalid=149)),
    Mutant("invalid HFN counts as a jump", "sync", "an invalid HFN is no discontinuity", NUMBERS, ("sync.hfn*",),
           numbers(invalid_is_jump=True)),
    Mutant("any HFN follows an invalid one", "sync", "HFN counts on across an invalid one", NUMBERS,
           ("sync.hfn 200, then one skipped",), numbers(invalid_forgets=True)),
    Mutant("reserved bits beside BFN read as BFN", "sync", "bits 7 to 4 of Z.192.0 are ignored", NUMBERS,
           ("l1.reserved:word=3",), rearranged(bfn_of_all_bits)),
    Mutant("HFN not followed after a jump", "sync", "a discontinuity is counted once, then followed", NUMBERS,
           ("sync.jump*", "sync.hfn*"), numbers(follows=False)),
    Mutant("an HFN that stands still passes", "sync", "HFN counts on in each hyperframe", NUMBERS,
           ("sync.hfn_stuck*", "sync.jump*"), numbers(repeats_pass=True)),
    Mutant("BFN of eight bits", "sync", "BFN has twelve bits", NUMBERS,
           ("sync.bfn*",), numbers(bfn_mask=0xFF, bfn_modulus=256)),
    Mutant("BFN does not wrap", "sync", "BFN 4095 is followed by 0", NUMBERS,
           ("baseline", "known:frame_numbers"), numbers(bfn_modulus=1 << 20)),
    Mutant("BFN steps with HFN 1", "sync", "BFN steps with HFN 0", NUMBERS, ("baseline", "known:frame_numbers"),
           numbers(bfn_steps_at=1)),
    Mutant("BFN never looked at", "sync", "BFN counts on", NUMBERS, ("sync.bfn*",), numbers(bfn_told=False)),
    Mutant("BFN low and high exchanged", "sync", "BFN low in Z.128.0, high in Z.192.0", NUMBERS,
           ("known:places_*",), rearranged(bfn_exchanged)),
    Mutant("BFN high read at Z.130.0", "sync", "BFN high is in Z.192.0", NUMBERS, ("known:places_*", "l1.*"),
           rearranged(bfn_at_130)),
    Mutant("HFN read at Z.65.0", "sync", "HFN is in Z.64.0", NUMBERS, ("known:places_*", "baseline"),
           rearranged(hfn_at_65)),
]  # fmt: skip
