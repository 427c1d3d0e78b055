"""How a sender's hyperframes go on the line: RS-FEC and its header rule, scrambling of version 2."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.line_coding.scrambling import MAXIMUM_SEED, SCRAMBLED_OPTIONS
from decoders.linerates import LineRateOption

from ..errors import InputError

__all__ = ["LineSettings"]


@dataclass(frozen=True, slots=True)
class LineSettings:
    """`scrambling` is the seed of version 2, None for version 1.

    `fec_header_xor` is the header rule of the codewords. Which one this link has is not known, so both are here.
    """

    fec: bool = False
    fec_header_xor: bool = False
    scrambling: int | None = None

    @property
    def version(self) -> int:
        """Protocol version that a sender announces."""
        return 1 if self.scrambling is None else 2

    def check(self, option: LineRateOption) -> None:
        """InputError where an option has no such line."""
        if self.fec and option.line_code != "64b66b":
            raise InputError(
                f"option {option.name} has no RS-FEC", hint="leave --fec out, or choose option 7A, 8, 9 or 10"
            )
        if self.scrambling is None:
            return
        if option.name not in SCRAMBLED_OPTIONS:
            raise InputError(
                f"option {option.name} has no scrambling of version 2",
                hint="leave --scrambling out, or choose option 5, 6 or 7",
            )
        if not 0 <= self.scrambling <= MAXIMUM_SEED:
            raise InputError(
                f"scrambling seed {self.scrambling} is out of range 0 to {MAXIMUM_SEED} (31 bits)"
            )
