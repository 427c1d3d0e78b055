"""An emulated board with a transceiver that can be reset, whose word alignment lands elsewhere each time.

What is modelled: the line delays by a fixed number of bits (transceiver, fibre). After a reset the receiver's
clock divider starts at any phase of a character or block, which lies k unit intervals (UI) after the word
boundary then: 0 to 9 at 8B/10B, 0 to 65 at 64B/66B. The receiver's clock, its sync marker and the count of it come k
UI early. One parallel clock is one character, 10 UI, or one block, 66 UI. With two boards RE-1 sends its uplink by
the clock it has recovered, so its k moves Toffset, and with it T14. Real line bits come out and are decoded after
each reset: k and the sync markers are the decoder's, the registers are the board's, and they can be compared. Seeded;
reads no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.errors import SettingsError
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.settings import SenderSettings
from decoders.link_delay.delay import (
    Compensation,
    MarkerTrain,
    clock_bits,
    clock_period_ns,
    fibre_delay_ns,
    unit_interval_ns,
)

from ..delay.samples import DelaySample, LineReading, loop_delay_bits, read_line
from ..errors import InputError
from .cable import Cable
from .emulated_link import DEFAULT_RATE_CODES
from .line_settings import LineSettings
from .line_writer import open_line_writer
from .sender import EmulatedSender

__all__ = ["BoardSettings", "EmulatedBoard"]

PIPELINE_CLOCKS = 24
"""Parallel clocks through sender and receiver of a transceiver, both ways together."""
TURNAROUND_CLOCKS = 416
"""Toffset of RE-1, from its receiver's marker to the start of its uplink hyperframe."""
_LEAD_CHARACTERS = 40


@dataclass(frozen=True, slots=True)
class BoardSettings:
    """`compensation` is REC-A's way with its k, `far_compensation` RE-1's.

    The delay grows by `step_clocks` after `step_after` resets, and by `drift_clocks` evenly over `drift_resets`.
    `resolution_ui` is what the phase detector of the counter resolves; 10 is a counter of whole clocks. The
    fibre is `length_m` long each way, taken to whole bits.
    """

    option: str = "2"
    pair: bool = False
    seed: int = 1
    compensation: Compensation = Compensation.CORRECT
    far_compensation: Compensation = Compensation.CORRECT
    step_clocks: int = 0
    step_after: int = 0
    drift_clocks: float = 0.0
    drift_resets: int = 0
    resolution_ui: float = 0.1
    length_m: float = 150.0
    hyperframes: int = 6
    line: LineSettings = field(default_factory=LineSettings)


class EmulatedBoard:
    """REC-A looped back at its transceiver, or REC-A and RE-1; a `ResettableBoard`.

    With RS-FEC each reset also brings another codeword phase, and 0 to 79 block times of delay with it. InputError
    for settings that cannot be.
    """

    def __init__(self, settings: BoardSettings) -> None:
        line = option_named(settings.option)
        settings.line.check(line)
        if settings.hyperframes < 5:
            raise InputError(f"{settings.hyperframes} hyperframes after a reset: at least 5")
        if settings.drift_clocks and settings.drift_resets < 2:
            raise InputError("a drift needs two resets or more to run over")
        self.settings = settings
        self.option = line.name
        self._line = line
        self._random = np.random.default_rng(settings.seed)
        self._clock_ui = clock_bits(line)
        try:
            fibre = round(fibre_delay_ns(settings.length_m) / unit_interval_ns(line))
        except SettingsError as error:
            raise InputError(str(error)) from None
        self._one_way_bits = fibre + PIPELINE_CLOCKS // 2 * self._clock_ui
        sender = SenderSettings(option=line.name, hdlc_rate_code=DEFAULT_RATE_CODES.get(line.name, 6))
        self._down = EmulatedSender(sender, settings.seed, load=0.3, line=settings.line)
        self._up = EmulatedSender(sender, settings.seed + 100, load=0.3, uplink=True, line=settings.line)
        self.resets = 0
        self.fec_phase_blocks = 0
        self.alignment_offset = 0
        self.far_alignment_offset = 0
        self.reset()
        self.resets = 0

    @property
    def names(self) -> tuple[str, ...]:
        return ("REC-A", "RE-1") if self.settings.pair else ("REC-A",)

    @property
    def description(self) -> str:
        ends = "REC-A and RE-1, two fibres" if self.settings.pair else "REC-A, looped back through a fibre"
        return f"emulated: Saltmarsh {ends}"

    @property
    def path_ui(self) -> float:
        """Delay of the line, both ways, as it is now."""
        s = self.settings
        ui = 2.0 * self._one_way_bits + self._clock_ui * self.fec_phase_blocks
        if self.resets > s.step_after:
            ui += s.step_clocks * self._clock_ui
        if s.drift_clocks:
            ui += s.drift_clocks * self._clock_ui * (self.resets - 1) / (s.drift_resets - 1)
        return ui

    def reset(self) -> None:
        """Reset every transceiver in the loop: each word boundary lands on one of ten positions."""
        self.reset_transceiver()

    def reset_transceiver(self, name: str | None = None) -> None:
        """Reset the transceiver of REC-A or RE-1, or all when None."""
        near, far = self._random.integers(0, self._clock_ui, 2).tolist()
        if self.settings.line.fec:
            self.fec_phase_blocks = int(self._random.integers(0, 80))
        if name in (None, "REC-A"):
            self.alignment_offset = near
        if name in (None, "RE-1") and self.settings.pair:
            self.far_alignment_offset = far
        self.resets += 1

    def measure(self) -> DelaySample:
        """Registers of the board, and what the line says."""
        s, clock = self.settings, self._clock_ui
        turnaround = TURNAROUND_CLOCKS * clock if s.pair else 0
        raw_ui = self._counted(self.path_ui + turnaround - self.far_alignment_offset - self.alignment_offset)
        added = self._added(s.compensation, self.alignment_offset)
        toffset_ui = turnaround - self._added(s.far_compensation, self.far_alignment_offset)
        return DelaySample(
            alignment_offset=self.alignment_offset,
            far_alignment_offset=self.far_alignment_offset if s.pair else None,
            raw_clocks=raw_ui / clock,
            compensated_clocks=(raw_ui + added - toffset_ui) / clock,
            clock_period_ns=clock_period_ns(self._line),
            clock_ui=clock,
            resolution_ui=s.resolution_ui,
            fec=s.line.fec,
            line=self._read_line(),
        )

    def _counted(self, ui: float) -> float:
        """As the counter and its phase detector resolve it."""
        step = self.settings.resolution_ui
        return round(ui / step) * step

    def _added(self, kind: Compensation, offset: int) -> int:
        return int(kind.applied(np.array([offset], np.int64), self._clock_ui)[0])

    def _read_line(self) -> LineReading:
        """Send hyperframes through the loop and find them again; bit 0 is the first sync byte's bit a sent."""
        arrives = round(self.path_ui)
        if not self.settings.pair:
            bits, sent = self._hyperframes(self._down, 0)
            offset, received = self._received(bits, arrives, self.alignment_offset)
            delay = loop_delay_bits(sent, received)
            return LineReading(offset, None, delay, delay)
        down_bits, sent = self._hyperframes(self._down, 0)
        far_offset, at_far = self._received(down_bits, self._one_way_bits, self.far_alignment_offset)
        start = self._one_way_bits - self.far_alignment_offset + TURNAROUND_CLOCKS * self._clock_ui
        up_bits, answered = self._hyperframes(self._up, start)
        back = start + arrives - self._one_way_bits
        offset, received = self._received(up_bits, back, self.alignment_offset)
        t14 = loop_delay_bits(sent, received)
        toffset = loop_delay_bits(at_far, answered)
        return LineReading(offset, far_offset, t14 - toffset, t14)

    def _hyperframes(self, sender: EmulatedSender, first_bit: int) -> tuple[bytes, MarkerTrain]:
        n = self.settings.hyperframes
        first = sender.next_hyperframe
        writer = open_line_writer(LineForm.BITS, self._line, self.settings.line)
        bits = writer.write(sender.batch(n)) + writer.finish()
        sender.sent.clear()
        timing = np.array([sender.encoder.timing_of(first + i) for i in range(n)], np.int64)
        return bits, MarkerTrain(first_bit, self._line.hyperframe_line_bits, timing)

    def _received(self, bits: bytes, arrives: int, offset: int) -> tuple[int, MarkerTrain]:
        """The receiver's bits begin at a word boundary, so that the character lies `offset` after one."""
        lead = _LEAD_CHARACTERS * self._clock_ui + offset
        cable = Cable(lead)
        return read_line(cable.carry(bits) + cable.finish(), self.option, arrives - lead)
