"""A node's transmitter: hyperframes of its sender as symbols, as the receiver at the other end aligns them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from decoders.arrays import U16
from decoders.line_coding.characters import LineForm

from ..faults.injector import D21_5_SYMBOL
from .deserialiser import Deserialiser
from .line_writer import LineWriter
from .node_sender import EndSender, Outgoing
from .sent import bit_cuts

__all__ = ["NodeOutput"]


class NodeOutput:
    """`moved_bits` counts the line bits that faults have added, less those they took away."""

    def __init__(self, sender: EndSender) -> None:
        self.sender = sender
        self.moved_bits = 0
        self._writer = LineWriter(LineForm.SYMBOLS, sender.option)
        self._deserialiser = Deserialiser()
        self._dark = 0

    def darken(self, symbols: int) -> None:
        """The transmitter is off for so many symbols."""
        self._dark = max(self._dark, symbols)

    def send(self, hyperframes: Sequence[tuple[int, Outgoing]]) -> U16:
        """Symbols of hyperframes, each with so many symbols of a gap before it."""
        parts: list[U16] = []
        starts = np.cumsum([gap > 0 for gap, _ in hyperframes]).tolist()
        for _, group in groupby(zip(starts, hyperframes, strict=True), key=lambda item: item[0]):
            run = [hyperframe for _, hyperframe in group]
            if run[0][0]:
                # D21.5 leaves the running disparity as it is.
                parts.append(self._deserialiser.take(np.full(run[0][0], D21_5_SYMBOL, np.uint16)))
            for batch in self.sender.send([outgoing for _, outgoing in run]):
                self.moved_bits += sum(cut.bits for cut in batch.cuts)
                symbols = self._writer.symbols(batch)
                self._writer.cuts.clear()
                parts.append(self._deserialiser.take(symbols, bit_cuts(batch, self.sender.option)))
        out = np.concatenate(parts) if parts else np.zeros(0, np.uint16)
        if self._dark:
            out = out.copy()
            out[: self._dark] = 0
            self._dark = max(0, self._dark - len(out))
        return out
