"""One AxC container: where its samples lie (4.2.7.2)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from fractions import Fraction
from typing import Any

import numpy as np

from ..errors import SettingsError
from ..linerates import BASIC_FRAMES_PER_HYPERFRAME, CHIP_RATE_HZ, HYPERFRAMES_PER_FRAME

__all__ = ["AxcContainer", "ContainerPosition", "MappingMethod", "StuffingPosition"]

_BASIC_FRAMES_PER_FRAME = BASIC_FRAMES_PER_HYPERFRAME * HYPERFRAMES_PER_FRAME
_MIN_WIDTH, _MAX_WIDTH = 4, 20


class MappingMethod(IntEnum):
    """How samples meet basic frames (clauses 4.2.7.2.5 and 4.2.7.2.7)."""

    IQ_SAMPLE = 1
    BACKWARD_COMPATIBLE = 3


class ContainerPosition(StrEnum):
    """Containers back to back from bit 0, or each at a given even bit (clause 4.2.7.2.3)."""

    PACKED = "packed"
    FLEXIBLE = "flexible"


class StuffingPosition(StrEnum):
    """Where in an AxC container block its stuffing lies."""

    START = "start"
    END = "end"


@dataclass(frozen=True, slots=True)
class AxcContainer:
    """One antenna-carrier, or for method 3 a group of `n_axc` alike, and its room in the IQ block.

    `sample_width` is M (4..20 bits for each of I and Q), `start_bit` the container's first bit b in the IQ
    block (None until an `IqMap` places it). `stuffing` None takes the method's own: stuffing bits at the
    end of a block for method 1, stuffing samples at its start for method 3. SettingsError for what is not possible.
    """

    name: str
    sample_width: int
    sample_rate_hz: int
    method: MappingMethod = MappingMethod.IQ_SAMPLE
    start_bit: int | None = None
    n_axc: int = 1
    stuffing: StuffingPosition | None = None

    def __post_init__(self) -> None:
        if not _MIN_WIDTH <= self.sample_width <= _MAX_WIDTH:
            raise SettingsError(
                f"{self.name}: sample width {self.sample_width} is outside {_MIN_WIDTH}..{_MAX_WIDTH} bits"
            )
        if self.sample_rate_hz <= 0:
            raise SettingsError(f"{self.name}: sample rate {self.sample_rate_hz} Hz is not positive")
        if _BASIC_FRAMES_PER_FRAME % self.block_basic_frames:
            raise SettingsError(
                f"{self.name}: {self.sample_rate_hz} Hz needs blocks of {self.block_basic_frames} basic "
                f"frames, which do not divide the {_BASIC_FRAMES_PER_FRAME} of a 10 ms frame"
            )
        if self.n_axc < 1:
            raise SettingsError(f"{self.name}: a group of {self.n_axc} AxCs")
        if self.n_axc > 1 and self.method is not MappingMethod.BACKWARD_COMPATIBLE:
            raise SettingsError(f"{self.name}: only mapping method 3 groups AxCs")

    @property
    def _ratio(self) -> Fraction:
        return Fraction(self.sample_rate_hz, CHIP_RATE_HZ)

    @property
    def block_samples(self) -> int:
        """S: samples of one AxC in a container block."""
        return self._ratio.numerator

    @property
    def block_basic_frames(self) -> int:
        """K: basic frames of a container block."""
        return self._ratio.denominator

    @property
    def containers(self) -> int:
        """Containers a basic frame: N_C for method 3, 1 for method 1."""
        return math.ceil(self.n_axc * self._ratio) if self.method is MappingMethod.BACKWARD_COMPATIBLE else 1

    @property
    def bits(self) -> int:
        """Bits of the IQ block it takes: N_AxC for method 1, N_C * 2M for method 3."""
        if self.method is MappingMethod.BACKWARD_COMPATIBLE:
            return self.containers * 2 * self.sample_width
        return 2 * math.ceil(self.sample_width * self._ratio)

    @property
    def stuffing_bits(self) -> int:
        """Bits of a container block that carry no sample: N_ST for method 1, N_V * 2M for method 3."""
        return self.block_basic_frames * self.bits - self.n_axc * self.block_samples * 2 * self.sample_width

    @property
    def stuffing_samples(self) -> int:
        """N_V of method 3; 0 for method 1, which stuffs bits."""
        whole = self.method is MappingMethod.BACKWARD_COMPATIBLE
        return self.stuffing_bits // (2 * self.sample_width) if whole else 0

    @property
    def stuffing_position(self) -> StuffingPosition:
        if self.stuffing is not None:
            return self.stuffing
        grouped = self.method is MappingMethod.BACKWARD_COMPATIBLE
        return StuffingPosition.START if grouped else StuffingPosition.END

    @property
    def members(self) -> tuple[str, ...]:
        """Names of its sample arrays: its own, or for a group of n its own with .0 to .n-1."""
        return (
            (self.name,)
            if self.n_axc == 1
            else tuple(f"{self.name}.{member}" for member in range(self.n_axc))
        )

    @property
    def dtype(self) -> np.dtype[Any]:
        """Of its sample arrays: int16 up to M = 16, int32 beyond."""
        return np.dtype("<i2") if self.sample_width <= 16 else np.dtype("<i4")


_MOST_ALIKE = 10_000
"""More containers than a basic frame of any option has bits for."""


def parse_map_item(item: str, first: int) -> list[AxcContainer]:
    """AxCs of one ';' part of `IqMap.parse`; the first without a name is A<first>."""
    fields: dict[str, str] = {}
    for field in item.split(","):
        key, _, value = (part.strip() for part in field.partition("="))
        if key not in {"M", "fs", "n", "method", "group", "b", "name"} or not value or key in fields:
            raise SettingsError(
                f"{field.strip()!r} in IQ map {item!r}: M, fs, n, method, group, b, name, each once"
            )
        fields[key] = value
    try:
        rate = _rate_hz(fields["fs"])
        count = int(fields.get("n", 1))
        start = int(fields["b"]) if "b" in fields else None
        method = MappingMethod(int(fields.get("method", 1)))
        width, group = int(fields["M"]), int(fields.get("group", 1))
    except KeyError as problem:
        raise SettingsError(f"IQ map {item!r} lacks {problem.args[0]}=") from problem
    except (ValueError, ZeroDivisionError) as problem:
        raise SettingsError(f"IQ map {item!r}: {problem}") from problem
    if rate.denominator != 1 or not (1 <= count <= _MOST_ALIKE and group <= _MOST_ALIKE):
        raise SettingsError(f"IQ map {item!r}: fs is whole Hz and n is 1 to {_MOST_ALIKE}, as is group")
    if count > 1 and start is not None:
        raise SettingsError(f"IQ map {item!r}: n= and b= exclude each other")
    if "name" in fields:
        names = [fields["name"]] if count == 1 else [f"{fields['name']}{index}" for index in range(count)]
    else:
        names = [f"A{first + index}" for index in range(count)]
    return [AxcContainer(name, width, int(rate), method, start, group) for name in names]


def _rate_hz(text: str) -> Fraction:
    try:
        if "/" in text or 0 < float(text) < 1e6:  # no exponent that would take for ever
            return Fraction(text) * 1_000_000
    except (ValueError, ZeroDivisionError):
        pass
    raise ValueError(f"fs={text} is no sample rate in MHz, as 15.36")


def block_count(axc: AxcContainer, basic_frames: int, first_basic_frame: int) -> int:
    size = axc.block_basic_frames
    return max(basic_frames - -first_basic_frame % size, 0) // size
