"""Hyperframes as line data: line code, RS-FEC, scrambling of version 2, in each data format."""

from __future__ import annotations

import numpy as np

from ..arrays import I64, U8
from ..errors import SettingsError
from ..line_coding.characters import BLOCK_FORMS, CHARACTER_FORMS, LineForm
from ..line_coding.code_8b10b import SymbolEncoder, pack_symbols
from ..line_coding.code_64b66b import BLOCK_BITS, BLOCK_OCTETS, BlockEncoder, join_blocks, pack_blocks
from ..line_coding.fec_codewords import BLOCKS_PER_CODEWORD, FecEncoder, pack_codewords
from ..line_coding.rs_fec import CODEWORD_BITS
from ..line_coding.scrambling import SCRAMBLED_OPTIONS, scramble
from ..linerates import EIGHT_TEN, SIXTY_FOUR_SIXTY_SIX, check_line_code, option_named

__all__ = ["LineEncoder"]


class LineEncoder:
    """Plain hyperframes to the octets of a form; carries the state of the line code from call to call.

    `fec`: RS-FEC with the header rule `header_xor`, which is not known for this link, so a capture must be labelled
    with it. `seed`: scrambling of version 2. `lead_bits` bits come before the first character, block or codeword of
    the bit form: the alignment offset. SettingsError for what the option does not have.
    """

    def __init__(
        self,
        option_name: str,
        form: LineForm,
        *,
        fec: bool = False,
        header_xor: bool = False,
        seed: int | None = None,
        lead_bits: int = 0,
    ) -> None:
        self.option = option_named(option_name)
        self.form = form
        self._characters = self.option.line_code == EIGHT_TEN
        if form not in (CHARACTER_FORMS if self._characters else BLOCK_FORMS):
            code = SIXTY_FOUR_SIXTY_SIX if self._characters else EIGHT_TEN
            check_line_code(self.option, code, f"form {form.value}")
        if fec:
            check_line_code(self.option, SIXTY_FOUR_SIXTY_SIX, "RS-FEC")
        if seed is not None and self.option.name not in SCRAMBLED_OPTIONS:
            raise SettingsError(f"scrambling of version 2 is for options {', '.join(SCRAMBLED_OPTIONS)}")
        self._seed = seed
        self._symbols = SymbolEncoder()
        self._blocks = BlockEncoder()
        self._fec = FecEncoder(header_xor=header_xor) if fec else None
        self._held: U8 = np.zeros(-(-lead_bits // 8), np.uint8)  # packed bits that still wait for their octet
        self._held_bits = lead_bits

    def encode(self, hyperframes: U8, special_positions: I64) -> bytes:
        """Line data of hyperframes (n, 256, 16, T/8); part of an octet of bits, or of a codeword, is held back.

        `special_positions`: K characters of the sync word, ascending, as LinkEncoder says.
        """
        if not len(hyperframes):
            return b""
        octets = hyperframes if self._seed is None else scramble(hyperframes, self._seed)
        return self._coded(np.ascontiguousarray(octets).reshape(-1), special_positions)

    def finish(self) -> bytes:
        """What is held back; a codeword is filled up with blocks of zeros, an octet with zero bits."""
        out = b""
        if self._fec is not None and self._fec.pending and self.form is LineForm.BITS:
            missing = BLOCK_OCTETS * (BLOCKS_PER_CODEWORD - self._fec.pending)
            out = self._coded(np.zeros(missing, np.uint8), np.zeros(0, np.int64))
        out += self._held.tobytes() if self.form is LineForm.BITS else b""
        self._held, self._held_bits = self._held[:0], 0
        return out

    def _coded(self, octets: U8, special: I64) -> bytes:
        form = self.form
        if form is LineForm.OCTETS:
            return octets.tobytes()
        if form is LineForm.FLAGGED:
            words = octets.astype("<u2")
            words[special] |= 0x100
            return words.tobytes()
        if self._characters:
            symbols = self._symbols.encode(octets, special)
            if form is LineForm.SYMBOLS:
                return symbols.astype("<u2").tobytes()
            return self._packed(pack_symbols(symbols, self._held_bits), 10 * len(symbols))
        headers, words = self._blocks.encode(octets, special)
        if form is LineForm.BLOCKS:
            return join_blocks(headers, words).tobytes()
        if self._fec is not None:
            codewords = self._fec.encode(headers, words)
            return self._packed(pack_codewords(codewords, self._held_bits), CODEWORD_BITS * len(codewords))
        return self._packed(pack_blocks(headers, words, self._held_bits), BLOCK_BITS * len(headers))

    def _packed(self, packed: U8, bits: int) -> bytes:
        """Octets that are whole; `packed` has so many bits behind those that are held."""
        packed[: len(self._held)] |= self._held
        whole, rest = divmod(self._held_bits + bits, 8)
        self._held, self._held_bits = packed[whole : whole + (rest > 0)].copy(), rest
        return packed[:whole].tobytes()
