"""A node's transmitter: hyperframes of its sender as symbols, as the receiver at the other end aligns them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby

import numpy as np

from decoders.arrays import U16

from .board_line import BoardSymbolLine
from .node_sender import EndSender, Outgoing

__all__ = ["NodeOutput"]


class NodeOutput:
    """`line` puts the hyperframes on the line; `moved` is told of line bits that faults add or take away.

    Line bits are inverted at `bit_error_ratio`, drawn from `random`.
    """

    def __init__(
        self,
        sender: EndSender,
        line: BoardSymbolLine | None = None,
        *,
        bit_error_ratio: float = 0.0,
        random: np.random.Generator | None = None,
        moved: Callable[[int], object] = lambda _: None,
    ) -> None:
        self.sender = sender
        self.line = line or BoardSymbolLine(sender.option)
        self._ratio = bit_error_ratio
        self._random = random or np.random.default_rng(0)
        self._moved = moved

    def send(self, hyperframes: Sequence[tuple[int, Outgoing]]) -> U16:
        """Symbols of hyperframes, each with so many symbols of a gap before it."""
        parts: list[U16] = []
        starts = np.cumsum([gap > 0 for gap, _ in hyperframes]).tolist()
        for _, group in groupby(zip(starts, hyperframes, strict=True), key=lambda item: item[0]):
            run = [hyperframe for _, hyperframe in group]
            if run[0][0]:
                parts.append(self.line.gap(run[0][0]))
            for batch in self.sender.send([outgoing for _, outgoing in run]):
                parts.append(self.line.send(batch, self._ratio, self._random))
                if batch.cuts:
                    self._moved(sum(cut.bits for cut in batch.cuts))
        return np.concatenate(parts) if parts else np.zeros(0, np.uint16)
