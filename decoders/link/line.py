"""The line of one direction: its reader, where sync words can be in it, and its errors, by line code and form.

8B/10B and 64B/66B differ here and nowhere above: everything behind works on octets with few special places.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..events import AlignmentChanged, Event
from ..line_coding.characters import LineForm
from ..line_coding.fec_reader import FecBitReader
from ..linerates import EIGHT_TEN, SIXTY_FOUR_SIXTY_SIX, LineRateOption, check_line_code
from .block_sync_places import BlockPlaces
from .line_errors import BlockLineErrors, LineErrors
from .parts import LinkParts
from .settings import LinkSettings
from .stream import LineStream
from .sync_places import CommaPlaces, SyncPlaces

__all__ = ["FecReading", "LinkLine"]


@dataclass(frozen=True, slots=True)
class FecReading:
    """RS-FEC as found: whether header bits are XORed, and where the first codeword lies, 0 to 5279 bits."""

    header_xor: bool
    codeword_phase_bits: int


class LinkLine:
    """Stream, sync places and errors of a line; SettingsError for a form that the line code does not have.

    `alignment_slip_bits`: alignment offset of the first alignment found, 0 to 9 or 0 to 65 bits; `slip_bits` that of
    the last one. None for forms without an alignment.
    """

    def __init__(
        self, option: LineRateOption, settings: LinkSettings, counters: dict[str, int], parts: LinkParts
    ) -> None:
        self._counters = counters
        form, flags = settings.form, settings.form.has_flags
        if option.line_code == EIGHT_TEN:
            if form is LineForm.BLOCKS:
                check_line_code(option, SIXTY_FOUR_SIXTY_SIX, "form blocks")
            self.stream = LineStream(parts.reader(form, option.hyperframe_octets))
            self.places: SyncPlaces = CommaPlaces(self.stream, option, flags=flags)
            self.errors = LineErrors(self.stream.buffer, counters)
        else:
            blocks = settings.blocks
            self.stream = LineStream(parts.block_reader(form, blocks.lock, blocks.fec, blocks.fec_lock))
            self.places = places = BlockPlaces(self.stream, option, blocks, flags=flags)
            rule, threshold = blocks.los_rule, settings.los_threshold
            self.errors = BlockLineErrors(self.stream.buffer, counters, places, rule, threshold)
        self.alignment_slip_bits: int | None = None
        self.slip_bits: int | None = None
        self._codeword_phase_bits: int | None = None

    @property
    def fec(self) -> FecReading | None:
        """What was found of RS-FEC; None where there is none, or nothing is known of it yet."""
        reader = self.stream.reader
        if not isinstance(reader, FecBitReader) or not reader.fec_on or self._codeword_phase_bits is None:
            return None
        return FecReading(bool(reader.header_xor), self._codeword_phase_bits)

    def read(self, number: int | None) -> list[Event]:
        """Put what is whole into the stream's buffer; what is to be told where it comes from another alignment."""
        if not self.stream.read():
            return []
        reader = self.stream.reader
        bit, slip = reader.start_bit, reader.slip_bits
        if bit is None or slip is None:
            return []
        if isinstance(reader, FecBitReader) and self._codeword_phase_bits is None:
            self._codeword_phase_bits = reader.codeword_phase_bits
        if self.alignment_slip_bits is None:
            self.alignment_slip_bits = slip
        elif self.slip_bits != slip:
            self._counters["realignments"] += 1
        self.slip_bits = slip
        return [AlignmentChanged(number, bit, slip)]
