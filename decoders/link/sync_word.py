"""The octets of the sync control word beside the sync byte of 8B/10B (CPRI Table 9)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..arrays import U8
from ..events import Event, FillerMismatch, PossibleInversion
from ..linerates import EIGHT_TEN, LineRateOption
from .settings import D5_6, D16_2

__all__ = ["FillerCheck"]

_INVERTED_FILLERS = (0xB0, 0x3A)


class FillerCheck:
    """Z.0.1 is D16.2 or D5.6, the octets behind it are D16.2."""

    def __init__(self, option: LineRateOption, counters: dict[str, int]) -> None:
        self._option = option
        self._counters = counters
        self._inverted = False

    def receive(self, first_words: U8, first: int) -> Iterator[Event]:
        """Events of the words Z.0, uint8 (n, T/8), of hyperframes numbered from `first`."""
        if self._option.word_octets == 1 or self._option.line_code != EIGHT_TEN:
            return
        filler = first_words[:, 1:]
        good = (filler == D16_2).all(axis=1)
        if not good.all():
            good |= (filler[:, 0] == D5_6) & (filler[:, 1:] == D16_2).all(axis=1)
        for index in np.flatnonzero(~good).tolist():
            octets = filler[index].tobytes()
            self._counters["filler_mismatches"] += 1
            yield FillerMismatch(first + index, octets)
            if not self._inverted and set(octets) <= set(_INVERTED_FILLERS):
                self._inverted = True
                yield PossibleInversion(first + index)
