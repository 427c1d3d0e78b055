"""A cable: delay in line bits, and bit errors at a ratio. Pure and seeded."""

from __future__ import annotations

import numpy as np

__all__ = ["Cable"]


class Cable:
    """Carries packed line bits, first on the line in bit 0 of octet 0.

    The line is dark (zeros) for `delay_bits` before the first bit; that also sets the word alignment offset at
    the receiver, `delay_bits` mod 10. Every bit is turned over with probability `bit_error_ratio`.
    """

    def __init__(self, delay_bits: int = 0, bit_error_ratio: float = 0.0, seed: int = 0) -> None:
        if delay_bits < 0:
            raise ValueError("a cable's delay cannot be negative")
        if not 0.0 <= bit_error_ratio <= 0.5:
            raise ValueError(f"bit error ratio {bit_error_ratio} is outside 0 to 0.5")
        whole, self._shift = divmod(delay_bits, 8)
        self._dark = bytes(whole)
        self._rest = 0
        self._ratio = bit_error_ratio
        self._random = np.random.default_rng(seed)
        self.bits = 0
        self.errors = 0

    def carry(self, data: bytes) -> bytes:
        """The bits that arrive for `data` sent; those of a part octet wait for the next call."""
        if not data:
            return b""
        line = np.frombuffer(data, np.uint8)
        if self._shift:
            wide = line.astype(np.uint16) << np.uint16(self._shift)
            out = (wide & 0xFF).astype(np.uint8)
            out[1:] |= (wide[:-1] >> 8).astype(np.uint8)
            out[0] |= self._rest
            self._rest = int(wide[-1] >> 8)
        else:
            out = line.copy()
        if self._ratio:
            bits = 8 * len(out)
            count = int(self._random.binomial(bits, self._ratio))
            where = self._random.integers(0, bits, count)
            np.bitwise_xor.at(out, where >> 3, (1 << (where & 7)).astype(np.uint8))
            self.errors += count
        self.bits += 8 * len(out)
        dark, self._dark = self._dark, b""
        return dark + out.tobytes()

    def finish(self) -> bytes:
        """The bits of a last part octet, filled up with zeros."""
        rest, self._rest = self._rest, 0
        return bytes([rest]) if self._shift else b""
