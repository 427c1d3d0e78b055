"""Mutants of the delay measurement: boards that measure, compensate or reset wrongly, for `delay` to catch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from decoders.link_delay.delay import Compensation
from monitor.delay.samples import DelaySample, ResettableBoard
from monitor.emulation.transceiver import BoardSettings, EmulatedBoard

__all__ = ["DELAY_MUTANTS", "DelayMutant"]

CLAUSE = "CPRI 4.2.9 (R-19 to R-21)"
OPTION = "2"


@dataclass(frozen=True, slots=True)
class DelayMutant:
    """A board that is wrong; `kinds` are findings of which one at least must be there after `resets` resets."""

    name: str
    rule: str
    clause: str
    make: Callable[[], ResettableBoard]
    kinds: tuple[str, ...]
    resets: int = 24


def compensating(how: Compensation) -> Callable[[], ResettableBoard]:
    return lambda: EmulatedBoard(BoardSettings(option=OPTION, compensation=how))


class Wrapped:
    """An emulated board whose measurements are changed."""

    def __init__(self, change: Callable[[DelaySample, int], DelaySample]) -> None:
        self.inner = EmulatedBoard(BoardSettings(option=OPTION))
        self.description, self.option, self.names = (
            self.inner.description,
            self.inner.option,
            self.inner.names,
        )
        self._change = change
        self._count = 0

    def reset(self) -> None:
        self.inner.reset()

    def measure(self) -> DelaySample:
        self._count += 1
        return self._change(self.inner.measure(), self._count)


def wrapped(change: Callable[[DelaySample, int], DelaySample]) -> Callable[[], ResettableBoard]:
    return lambda: Wrapped(change)


def one_clock_more(sample: DelaySample, count: int) -> DelaySample:
    """After some resets the delay is one parallel clock more, as a FIFO that starts with another fill."""
    return replace(sample, compensated_clocks=sample.compensated_clocks + (count % 7 == 3))


def half_compensated(sample: DelaySample, count: int) -> DelaySample:
    """k / 2 is added in place of k."""
    less = sample.alignment_offset / sample.clock_ui / 2
    return replace(sample, compensated_clocks=sample.compensated_clocks - less)


def offset_register_stuck(sample: DelaySample, count: int) -> DelaySample:
    return replace(sample, alignment_offset=4)


def offset_register_one_more(sample: DelaySample, count: int) -> DelaySample:
    return replace(sample, alignment_offset=(sample.alignment_offset + 1) % sample.clock_ui)


def drifting(sample: DelaySample, count: int) -> DelaySample:
    return replace(sample, compensated_clocks=sample.compensated_clocks + count / 20)


DELAY_MUTANTS = (
    DelayMutant("word alignment not compensated", "T14 is compensated by k", CLAUSE,
                compensating(Compensation.MISSING), ("compensation-missing",)),
    DelayMutant("word alignment compensated with the wrong sign", "T14 is compensated by k", CLAUSE,
                compensating(Compensation.WRONG_SIGN), ("compensation-wrong-sign",)),
    DelayMutant("word alignment compensated off by one", "T14 is compensated by k", CLAUSE,
                compensating(Compensation.OFF_BY_ONE), ("compensation-off-by-one",)),
    DelayMutant("half of the word alignment compensated", "T14 is compensated by k", CLAUSE,
                wrapped(half_compensated), ("scatter",)),
    DelayMutant("one clock more after some resets", "the delay is the same after every reset", CLAUSE,
                wrapped(one_clock_more), ("scatter",)),
    DelayMutant("alignment register stuck", "the register tells k", CLAUSE,
                wrapped(offset_register_stuck), ("register-disagrees",)),
    DelayMutant("alignment register one too high", "the register tells k", CLAUSE,
                wrapped(offset_register_one_more), ("register-disagrees",)),
    DelayMutant("delay creeps from reset to reset", "the delay is the same after every reset", CLAUSE,
                wrapped(drifting), ("drift",)),
)  # fmt: skip
