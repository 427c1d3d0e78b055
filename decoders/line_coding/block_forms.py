"""The reader of each data format at options 7A, 8, 9, 10, and whether line bits are looked through for RS-FEC."""

from __future__ import annotations

from enum import StrEnum

from ..errors import SettingsError
from ..linerates import SIXTY_FOUR_SIXTY_SIX, LineRateOption
from .block_lock import LockSettings
from .block_readers import BlockBitReader, BlockReader, FlaggedBlockReader
from .characters import CharacterReader, LineForm, OctetReader
from .fec_reader import AutomaticBitReader, FecBitReader, FecSettings

__all__ = ["FecChoice", "fec_shows", "open_block_reader"]


class FecChoice(StrEnum):
    """Whether line bits have RS-FEC; `auto` finds out."""

    AUTO = "auto"
    ON = "on"
    OFF = "off"


def fec_shows(option: LineRateOption, form: LineForm) -> bool:
    """Whether a data format can show RS-FEC: line bits of 64B/66B; every other one is what stands behind it."""
    return form is LineForm.BITS and option.line_code == SIXTY_FOUR_SIXTY_SIX


def open_block_reader(
    form: LineForm, lock: LockSettings, fec: FecChoice = FecChoice.AUTO, fec_lock: FecSettings | None = None
) -> CharacterReader:
    """The reader of a data format of 64B/66B; SettingsError for symbols, and for FEC where there are no line bits."""
    if form is LineForm.SYMBOLS:
        raise SettingsError("64B/66B has no ten-bit symbols; choose blocks, bits, flagged or octets")
    if form is not LineForm.BITS:
        if fec is FecChoice.ON:
            raise SettingsError(f"{form.value} are what stands behind RS-FEC; FEC is in the form bits only")
        if form is LineForm.BLOCKS:
            return BlockReader(lock)
        return FlaggedBlockReader() if form is LineForm.FLAGGED else OctetReader()
    if fec is FecChoice.OFF:
        return BlockBitReader(lock)
    return (FecBitReader if fec is FecChoice.ON else AutomaticBitReader)(fec_lock, lock)
