"""Line bit rate options and their arithmetic (CPRI V7.0 Table 3, clause 4.2.1).

Everything here follows from f_c = 3.84 MHz: a basic frame lasts one chip period Tc = 1/f_c, has 16 words
of T bits, and 256 of them make a hyperframe (66.67 us).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from .errors import SettingsError

__all__ = [
    "BASIC_FRAMES_PER_HYPERFRAME",
    "BFN_MODULUS",
    "CHIP_RATE_HZ",
    "EIGHT_TEN",
    "HDLC_CODE_OCTETS",
    "HYPERFRAMES_PER_FRAME",
    "HYPERFRAMES_PER_SECOND",
    "OPTIONS",
    "SIXTY_FOUR_SIXTY_SIX",
    "WORDS_PER_BASIC_FRAME",
    "LineRateOption",
    "check_line_code",
    "option_named",
    "option_with",
]

CHIP_RATE_HZ = 3_840_000
"""f_c, the UMTS chip rate (clause 4.2.6)."""
WORDS_PER_BASIC_FRAME = 16
BASIC_FRAMES_PER_HYPERFRAME = 256
HYPERFRAMES_PER_FRAME = 150
"""Hyperframes in one 10 ms frame (clause 4.2.7.1.2)."""
BFN_MODULUS = 4096
HYPERFRAMES_PER_SECOND = 15_000

EIGHT_TEN, SIXTY_FOUR_SIXTY_SIX = "8b10b", "64b66b"
"""Line codes as they are written in files and reports."""
_LINE_CODE_WORDS = {EIGHT_TEN: "8B/10B", SIXTY_FOUR_SIXTY_SIX: "64B/66B"}

HDLC_CODE_OCTETS = MappingProxyType({0: 0, 1: 2, 2: 4, 3: 8, 4: 16, 5: 20})
"""HDLC rate code (Z.66.0 b2..b0) -> control octets a hyperframe; codes 6 and 7 depend on more (Table 11)."""


@dataclass(frozen=True, slots=True)
class LineRateOption:
    """One line bit rate option.

    `word_bits` is T (bits of one word after decoding), `payload_octets` is T/8: the octets Y of one word.
    """

    name: str
    line_rate_bps: int
    line_code: str
    word_bits: int
    first_version: str

    @property
    def word_octets(self) -> int:
        """Octets of one word, T/8 (index Y)."""
        return self.word_bits // 8

    @property
    def control_octets(self) -> int:
        """Octets Y of a control word that carry the classic control channels (at most 16)."""
        return min(self.word_octets, 16)

    @property
    def basic_frame_octets(self) -> int:
        return WORDS_PER_BASIC_FRAME * self.word_octets

    @property
    def hyperframe_octets(self) -> int:
        return BASIC_FRAMES_PER_HYPERFRAME * self.basic_frame_octets

    @property
    def hyperframe_line_bits(self) -> int:
        """Bits on the line during one hyperframe, after line coding."""
        octets = self.hyperframe_octets
        return octets * 10 if self.line_code == "8b10b" else octets // 8 * 66

    @property
    def iq_bits_per_basic_frame(self) -> int:
        return 15 * self.word_bits

    @property
    def octet_rate(self) -> int:
        """Decoded octets a second."""
        return self.hyperframe_octets * HYPERFRAMES_PER_SECOND

    @property
    def unit_interval_s(self) -> Fraction:
        """Duration of one line bit, in seconds."""
        return Fraction(1, self.line_rate_bps)

    def hdlc_octets(self, code: int) -> int | None:
        """Control octets a hyperframe of the HDLC rate `code`, 0 for none, None where it is not valid for this option.

        Code 6 is "highest", defined above 3 072 Mbit/s only; code 7 is negotiated elsewhere and needs an
        explicit octet count, so it is None here (Table 11).
        """
        if code == 6:
            return 4 * self.control_octets if self.word_octets >= 8 else None
        octets = HDLC_CODE_OCTETS.get(code)
        if octets is None or octets > 4 * self.control_octets:
            return None
        return octets

    def hdlc_bit_rate(self, code: int) -> int | None:
        """HDLC channel bit rate in bit/s, or None."""
        octets = self.hdlc_octets(code)
        return None if octets is None else octets * 8 * HYPERFRAMES_PER_SECOND

    def ethernet_octets(self, pointer_p: int) -> int:
        """Fast C&M control octets a hyperframe with pointer p (0 = no channel; clause 4.2.7.7.2)."""
        return 0 if pointer_p == 0 else (64 - pointer_p) * 4 * self.control_octets

    def ethernet_bit_rate(self, pointer_p: int) -> int:
        """Coded (4B/5B) bit rate of the fast C&M channel, bit/s."""
        return self.ethernet_octets(pointer_p) * 8 * HYPERFRAMES_PER_SECOND


_ROWS = (
    LineRateOption("1", 614_400_000, "8b10b", 8, "V1.4"),
    LineRateOption("2", 1_228_800_000, "8b10b", 16, "V1.4"),
    LineRateOption("3", 2_457_600_000, "8b10b", 32, "V1.4"),
    LineRateOption("4", 3_072_000_000, "8b10b", 40, "V3.0"),
    LineRateOption("5", 4_915_200_000, "8b10b", 64, "V4.1"),
    LineRateOption("6", 6_144_000_000, "8b10b", 80, "V4.1"),
    LineRateOption("7", 9_830_400_000, "8b10b", 128, "V4.2"),
    LineRateOption("7A", 8_110_080_000, "64b66b", 128, "V7.0"),
    LineRateOption("8", 10_137_600_000, "64b66b", 160, "V6.0"),
    LineRateOption("9", 12_165_120_000, "64b66b", 192, "V7.0"),
    LineRateOption("10", 24_330_240_000, "64b66b", 384, "V7.0"),
)

OPTIONS = MappingProxyType({row.name: row for row in _ROWS})
"""Every option by its name, in the order of the standard's table."""


def option_named(name: str | int) -> LineRateOption:
    """The option called `name` ("1".."10", "7A"); SettingsError says which names exist."""
    option = OPTIONS.get(str(name).strip().upper())
    if option is None:
        raise SettingsError(f"line rate option {name!r} does not exist; choose one of {', '.join(OPTIONS)}")
    return option


def check_line_code(option: LineRateOption, line_code: str, part: str) -> None:
    """SettingsError unless the option has the line code that `part` serves; it says which options have it."""
    if option.line_code != line_code:
        fitting = ", ".join(row.name for row in _ROWS if row.line_code == line_code)
        raise SettingsError(
            f"option {option.name} has line code {_LINE_CODE_WORDS[option.line_code]}; "
            f"{part}: {_LINE_CODE_WORDS[line_code]} only (options {fitting})"
        )


def option_with(line_code: str, name: str | int, part: str) -> LineRateOption:
    """The option called `name`; SettingsError where it has another line code than `part` works with."""
    option = option_named(name)
    check_line_code(option, line_code, part)
    return option
