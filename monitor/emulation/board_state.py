"""State of an emulated board as its STATUS and LINE_CODE records give it: alignment, delay, flags, counts."""

from __future__ import annotations

import numpy as np

from decoders.line_coding.fec_codewords import BLOCKS_PER_CODEWORD
from decoders.line_coding.rs_fec import CODEWORD_BITS
from decoders.line_coding.scrambling import SCRAMBLED_OPTIONS
from decoders.linerates import LineRateOption
from decoders.link.decoder import LinkDecoder
from decoders.link_delay.delay import clock_bits

from ..protocol import records as r
from .block_deserialiser import BlockCounts, BlockDeserialiser

__all__ = ["TURNAROUND_CLOCKS", "BoardAlignment", "line_code_status", "status_flags"]

TURNAROUND_CLOCKS = 416
"""Toffset of radio equipment as its own clock counts it."""
_PIPELINE_BITS = 240
_MODULO = 0xFFFFFFFF


class BoardAlignment:
    """Where characters, blocks or codewords begin at the receiver, drawn anew by a reset; line bits move it."""

    def __init__(self, option: LineRateOption, random: np.random.Generator, *, fec: bool) -> None:
        self._clock = clock_bits(option)
        self._random = random
        self._fec = fec
        self._moved = 0  # line bits that the path has grown by
        self._phase_blocks = 0
        self.bits = 0
        self.draw()

    def draw(self) -> None:
        """After a reset: one of the places where a character or block, and a codeword, may begin."""
        self.bits = int(self._random.integers(0, self._clock))
        if self._fec:
            self._phase_blocks = int(self._random.integers(0, BLOCKS_PER_CODEWORD))

    def move(self, bits: int) -> None:
        """So many line bits came, or went, before what comes now."""
        self._moved += bits
        self.bits = (self.bits + bits) % self._clock

    @property
    def codeword_phase_bits(self) -> int:
        """Position of the codewords, 0 to 5279."""
        return (self.bits + self._clock * self._phase_blocks) % CODEWORD_BITS

    def turnaround_bits(self, path_bits: int, *, realigns: bool) -> int:
        """From the other board's line through a path so long to the line back: Toffset, `bits` early.

        A board that `realigns` sends its line by whole clocks from the bit at which it receives.
        """
        return path_bits + TURNAROUND_CLOCKS * self._clock - (0 if realigns else self.bits)

    def delay_clocks(self, path_bits: int) -> int:
        """The board's delay count over a path so long: whole clocks, `bits` early; RS-FEC waits for its codeword."""
        ui = self._moved + _PIPELINE_BITS + path_bits + self._clock * self._phase_blocks
        return max(0, round((ui - self.bits) / self._clock))


def _locked(blocks: BlockDeserialiser | None, loopback: r.Loopback) -> bool:
    """Whether the receiver of blocks has lock; without an input it has none."""
    return blocks is not None and blocks.locked and loopback is not r.Loopback.NONE


def status_flags(
    decoder: LinkDecoder, blocks: BlockDeserialiser | None, loopback: r.Loopback, *, fec: bool
) -> r.StatusFlag:
    """Flags of STATUS; `blocks` is the receiver of blocks at 64B/66B."""
    flags = r.StatusFlag.TRANSMITTER_ON | r.StatusFlag.RECEIVER_READY
    for flag, stands in (
        (r.StatusFlag.LOS, decoder.los.active),
        (r.StatusFlag.LOF, decoder.state.lof),
        (r.StatusFlag.FEC, fec),
        (r.StatusFlag.BLOCK_LOCK, _locked(blocks, loopback)),
        (r.StatusFlag.SCRAMBLED, bool(decoder.scrambling_seed)),
    ):
        if stands:
            flags |= flag
    return flags


def line_code_status(
    decoder: LinkDecoder,
    blocks: BlockDeserialiser | None,
    loopback: r.Loopback,
    alignment: BoardAlignment,
) -> r.LineCodeStatus | None:
    """LINE_CODE at options 5 to 10; None at the others."""
    if blocks is None and decoder.option.name not in SCRAMBLED_OPTIONS:
        return None
    counts = BlockCounts() if blocks is None else blocks.counts
    seed, flags = decoder.scrambling_seed, r.LineCodeFlag.NONE
    phase_known = blocks is not None and blocks.fec and _locked(blocks, loopback)
    if phase_known:
        flags |= r.LineCodeFlag.FEC_LOCK | r.LineCodeFlag.PHASE_KNOWN
    if seed is not None:
        flags |= r.LineCodeFlag.SEED_KNOWN
    return r.LineCodeStatus(
        protocol_version=decoder.planes.version.accepted or 0,
        flags=flags,
        codeword_phase_bits=alignment.codeword_phase_bits if phase_known else 0,
        seed=seed or 0,
        block_header_errors=counts.header_errors & _MODULO,
        block_lock_losses=counts.lock_losses & _MODULO,
        fec_corrected_codewords=counts.corrected_codewords & _MODULO,
        fec_corrected_symbols=counts.corrected_symbols & _MODULO,
        fec_uncorrected_codewords=counts.uncorrected_codewords & _MODULO,
        fec_lock_losses=counts.fec_lock_losses & _MODULO,
        scrambling_seed_changes=decoder.counters["scrambling_seed_changes"] & _MODULO,
    )
