"""Settings of one direction of a link: how to read it, what to send, and readings of the standard."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from ..frame_structure import controlwords as cw
from ..line_coding.block_forms import FecChoice
from ..line_coding.block_lock import LockSettings
from ..line_coding.characters import LineForm
from ..line_coding.fec_reader import FecSettings
from ..linerates import LineRateOption
from .alarms import RESET_HYPERFRAMES
from .hyperframe_sync import FallBack

__all__ = [
    "BlockLosRule",
    "BlockSettings",
    "BlockSyncWord",
    "LinkSettings",
    "PlaneSettings",
    "SenderSettings",
]


D16_2, D5_6 = 0x50, 0xC5


@dataclass(frozen=True, slots=True)
class PlaneSettings:
    """Readings of the standard that are settings; the defaults are the recommended ones.

    `fixed_pointer_p` and `fixed_hdlc_rate_code` overrule what the link says.
    """

    hdlc_lsb_first: bool = True
    ethernet_lsb_first: bool = True
    hdlc_max_octets: int = 2048
    ethernet_max_octets: int = 1518
    filter_cm: int = 4
    filter_version: int = 5
    reset_hyperframes: int = RESET_HYPERFRAMES
    ctrl_axc: bool = True
    fixed_pointer_p: int | None = None
    fixed_hdlc_rate_code: int | None = None


class BlockLosRule(StrEnum):
    """What raises LOS at 64B/66B; no source ties one of them to the standard, so it is a setting."""

    HEADER_COUNT = "header_count"
    """Bad block headers in one hyperframe, as characters in error are counted at 8B/10B."""
    BLOCK_LOCK = "block_lock"
    """Loss of block lock."""
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class BlockSyncWord:
    """Layout of the sync word at 64B/66B: /T/ in octet `terminate_at` of one block, /S/ in octet 0 of the next.

    `start_first`: the hyperframe begins with the /S/ block; the /T/ block is then its last one.
    """

    terminate_at: int = 7
    start_first: bool = False

    @property
    def layout(self) -> str:
        return f"T{self.terminate_at}_S0"

    @property
    def origin(self) -> str:
        return "S" if self.start_first else "T"


@dataclass(frozen=True, slots=True)
class BlockSettings:
    """Readings of 64B/66B that are settings (options 7A, 8, 9, 10).

    `sync_word` None measures the layout; `strict` takes a sync word for missed where the octets beside /T/ and /S/
    are not the usual ones, too. LOS is cleared by a hyperframe without a bad header.
    """

    lock: LockSettings = field(default_factory=LockSettings)
    fec: FecChoice = FecChoice.AUTO
    fec_lock: FecSettings = field(default_factory=FecSettings)
    sync_word: BlockSyncWord | None = None
    strict: bool = False
    los_rule: BlockLosRule = BlockLosRule.HEADER_COUNT


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """How to read a stream: line rate option, raw form, and the readings that are settings."""

    option: str = "2"
    form: LineForm = LineForm.OCTETS
    los_threshold: int = 16
    fall_back: FallBack = FallBack.ONE
    planes: PlaneSettings = field(default_factory=PlaneSettings)
    blocks: BlockSettings = field(default_factory=BlockSettings)


@dataclass(frozen=True, slots=True)
class SenderSettings:
    """What a sender sends in its hyperframes.

    `filler` is the sender's choice for Z.0.1, D16.2 or D5.6; `alarms` is Z.130.0.
    """

    option: str = "2"
    pointer_p: int = 40
    hdlc_rate_code: int = 3
    version: int = 1
    bfn: int = 0
    hfn: int = 0
    filler: int = D16_2
    alarms: int = 0
    planes: PlaneSettings = field(default_factory=PlaneSettings)


VALID_POINTERS = np.array([cw.pointer_is_valid(p) for p in range(256)], np.bool_)


def valid_versions(option: LineRateOption) -> NDArray[np.bool_]:
    """Version 2 (scrambled) exists for options 5, 6 and 7 only (clause 4.2.7.6, from memory)."""
    valid = np.zeros(256, np.bool_)
    valid[1] = True
    valid[2] = option.name in ("5", "6", "7")
    return valid


def valid_rates(option: LineRateOption) -> NDArray[np.bool_]:
    return np.array([option.hdlc_octets(code) is not None for code in range(256)], np.bool_)


def check_settings(option: LineRateOption, pointer_p: int, hdlc_rate_code: int) -> None:
    """SettingsError unless a sender may use these at this line rate."""
    cw.check_pointer(pointer_p)
    if option.hdlc_octets(hdlc_rate_code) is None:
        possible = [str(code) for code in range(8) if option.hdlc_octets(code) is not None]
        raise SettingsError(
            f"HDLC rate code {hdlc_rate_code} is not valid for option {option.name}; valid: {', '.join(possible)}"
        )
