"""The line of an emulated board: hyperframes sent go out as symbols or line bits, and come back cut into hyperframes.

At 8B/10B line data between boards are ten-bit symbols behind the deserialiser, at 64B/66B packed line bits. A
reset makes the transmitter dark or the receiver deaf for a while.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import U8, U16
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder
from decoders.line_coding.code_64b66b import BLOCK_BITS, BLOCK_OCTETS, PayloadDescrambler, join_blocks
from decoders.linerates import LineRateOption

from ..faults.injector import D21_5_SYMBOL
from ..formats.form_writer import flagged_words
from .block_deserialiser import BlockDeserialiser, flagged_blocks
from .block_writer import BlockLineWriter
from .cutter import HyperframeCutter, Piece
from .deserialiser import Deserialiser
from .line_settings import LineSettings
from .line_writer import LineWriter
from .sent import SentBatch, bit_cuts

__all__ = ["BoardBlockLine", "BoardLine", "BoardSymbolLine", "LineItems", "open_board_line"]

LineItems = NDArray[Any]
"""Line data: uint16 symbols at 8B/10B, uint8 octets of packed line bits at 64B/66B."""
_ONES = 0xFFFF_FFFF_FFFF_FFFF


class BoardLine(ABC):
    """Transmitter and receiver of one board; `item_bits` line bits are one item of its line data."""

    item_bits: int

    def __init__(self, option: LineRateOption) -> None:
        self.option = option
        self.cutter = HyperframeCutter(option.hyperframe_octets, option.line_code)
        self._dark = 0  # line bits still to be sent dark
        self._deaf = 0  # line bits still to come that are not received

    @property
    def in_reset(self) -> bool:
        return bool(self._dark or self._deaf)

    def go_dark(self, hyperframes: int) -> None:
        """The transmitter sends nothing for so long."""
        self._dark = hyperframes * self.option.hyperframe_line_bits

    def go_deaf(self, hyperframes: int) -> None:
        """The receiver takes nothing for so long; the hyperframe that has begun is one of them."""
        size = self.option.hyperframe_line_bits
        self._deaf = hyperframes * size + self._deaf % size - self._drop_held()
        self.restart()

    def send(self, batch: SentBatch, bit_error_ratio: float, random: np.random.Generator) -> LineItems:
        """What goes on the line for a batch, with bits inverted at a ratio."""
        items = self._sent(batch)
        if self._dark:
            items = items.copy()
            items[: -(-self._dark // self.item_bits)] = 0
            self._dark = max(0, self._dark - self.item_bits * len(items))
        if bit_error_ratio:
            items = items.copy()
            bits = self.item_bits * len(items)
            where = random.integers(0, bits, int(random.binomial(bits, bit_error_ratio)))
            at, bit = np.divmod(where, self.item_bits)
            np.bitwise_xor.at(items, at, (1 << bit).astype(items.dtype))
        return self._after_errors(items, batch)

    def receive(self, items: LineItems) -> list[Piece]:
        """What is complete of what was received."""
        if self._deaf:
            size, before = self.option.hyperframe_line_bits, self._deaf
            self._deaf = max(0, before - self.item_bits * len(items))
            items = items[(before - self._deaf) // self.item_bits :]
            self.cutter.skip(-(-before // size) - -(-self._deaf // size))
        return self._received(items)

    def restart(self) -> None:
        """What comes next does not follow what came before: the receiver begins anew."""
        self._drop_held()

    def switch(self) -> None:
        """Another loopback: what is no whole hyperframe yet is not completed."""
        self._drop_held()

    def _drop_held(self) -> int:
        """Forget what is no whole hyperframe yet; how many line bits those are."""
        return self.cutter.drop() * self.option.hyperframe_line_bits // self.option.hyperframe_octets

    @property
    @abstractmethod
    def blocks(self) -> BlockDeserialiser | None:
        """The receiver of blocks at 64B/66B."""

    @abstractmethod
    def _sent(self, batch: SentBatch) -> LineItems: ...

    def _after_errors(self, items: LineItems, batch: SentBatch) -> LineItems:
        """What comes out of the part of the way that is modelled at the sender."""
        return items

    @abstractmethod
    def _received(self, items: LineItems) -> list[Piece]: ...


class BoardSymbolLine(BoardLine):
    """8B/10B: the deserialiser of what is sent belongs to whichever board receives it, and is here."""

    item_bits = 10
    blocks = None

    def __init__(self, option: LineRateOption) -> None:
        super().__init__(option)
        self._writer = LineWriter(LineForm.SYMBOLS, option)
        self._deserialiser = Deserialiser()
        self._decoder = SymbolDecoder()

    def restart(self) -> None:
        super().restart()
        self._decoder = SymbolDecoder()

    def gap(self, symbols: int) -> U16:
        """So many symbols between two hyperframes: D21.5, which leaves the running disparity as it is."""
        return self._deserialiser.take(np.full(symbols, D21_5_SYMBOL, np.uint16))

    def _sent(self, batch: SentBatch) -> U16:
        return self._writer.symbols(batch)

    def _after_errors(self, items: LineItems, batch: SentBatch) -> LineItems:
        return self._deserialiser.take(items, bit_cuts(batch, self.option))

    def _received(self, items: LineItems) -> list[Piece]:
        coded = self._decoder.decode(items)
        marks = (coded.k_positions, coded.violations, coded.disparity_errors)
        return self.cutter.take(flagged_words(coded.octets, *marks).astype("<u2"))


class BoardBlockLine(BoardLine):
    """64B/66B, with RS-FEC or without; the receiver looks for the blocks in the line bits."""

    item_bits = 8

    def __init__(self, option: LineRateOption, line: LineSettings) -> None:
        super().__init__(option)
        self._writer = BlockLineWriter(LineForm.BITS, option, line)
        self._blocks = BlockDeserialiser(line.fec, line.fec_header_xor)
        self._descrambler = PayloadDescrambler()
        self._descrambler.reset(_ONES)

    @property
    def blocks(self) -> BlockDeserialiser:
        return self._blocks

    def restart(self) -> None:
        super().restart()
        self._blocks.restart()
        self.cutter.wait()

    def switch(self) -> None:
        self.restart()

    def _drop_held(self) -> int:
        return self.cutter.drop() // BLOCK_OCTETS * BLOCK_BITS + self._blocks.held_bits

    def _sent(self, batch: SentBatch) -> U8:
        return np.frombuffer(self._writer.write([batch]), np.uint8)

    def _received(self, items: LineItems) -> list[Piece]:
        headers, words = self._blocks.receive(items)
        flagged = flagged_blocks(headers, words, self._descrambler)
        return self.cutter.take(flagged.astype("<u2"), join_blocks(headers, words))


def open_board_line(option: LineRateOption, line: LineSettings) -> BoardLine:
    """The line of an option's line code; InputError where the option has no such line."""
    line.check(option)
    return BoardBlockLine(option, line) if option.line_code == "64b66b" else BoardSymbolLine(option)
