"""Raw forms of line data: reading hex text, writing every form, and finding form and option from the data.

| form | is |
|---|---|
| octets | received octets in line order |
| flagged | little-endian words: bits 7..0 octet, bit 8 K, bit 9 code violation, bit 10 disparity error |
| symbols | little-endian words: bit 0 = a (first on the line) to bit 9 = j |
| bits | packed line bits, first on the line in bit 0 of byte 0, any alignment |
| hex | text: hex octets between white space, an optional `offset:` column, `#` comments |

What is looked for is the sync control word (CPRI V7.0 clause 4.2.7.2, Table 9): K28.5 once a hyperframe, then
D16.2 or D5.6 and D16.2; where the K flag is gone, 0xBC with those fillers and the hyperframe number in Z.64.0
stands for it. Positions vote in pairs one hyperframe apart, so damage and slips do not hide the spacing.
Nothing here decodes the stream or opens a file.
"""

from __future__ import annotations

from enum import StrEnum

from decoders.errors import SettingsError
from decoders.linerates import HYPERFRAMES_PER_SECOND, OPTIONS, option_named

from ..errors import InputError

__all__ = [
    "COUNTED_FORMS",
    "LINE_FORMS",
    "WORD_FORMS",
    "Form",
    "checked_option",
    "form_of_name",
    "stream_octets",
    "stream_time_ns",
]


class Form(StrEnum):
    OCTETS = "octets"
    FLAGGED = "flagged"
    SYMBOLS = "symbols"
    BITS = "bits"
    HEX = "hex"
    FFCAP = "ffcap"


LINE_FORMS = (Form.FLAGGED, Form.SYMBOLS, Form.OCTETS, Form.BITS)
"""The forms that a decoder takes, in the order in which they are tried."""
WORD_FORMS = (Form.FLAGGED, Form.SYMBOLS)
COUNTED_FORMS = (Form.OCTETS, Form.FLAGGED)
"""Forms that boards give in counted hyperframes, and may leave some out of."""


def form_of_name(name: str) -> Form | None:
    """The form that a file name's suffix stands for, or None."""
    suffix = name.rpartition(".")[2].lower()
    return Form(suffix) if "." in name and suffix in tuple(Form) else None


def checked_option(name: str) -> str:
    """The option's own name; InputError for one that is not there or not an 8B/10B one."""
    try:
        option = option_named(name)
    except SettingsError as error:
        raise InputError(str(error)) from None
    if option.line_code != "8b10b":
        raise InputError(f"option {option.name} is 64B/66B coded, which cannot be decoded from a capture yet")
    return option.name


def stream_octets(form: Form, option: str, hyperframes: int) -> int:
    """Octets that so many hyperframes take in a form (hex: with an offset column)."""
    octets = OPTIONS[option].hyperframe_octets * hyperframes
    if form in WORD_FORMS:
        return 2 * octets
    if form is Form.BITS:
        return octets * 10 // 8
    return 4 * octets if form is Form.HEX else octets


def stream_time_ns(form: Form, option: str, octets: int) -> int:
    """Nanoseconds on the line that so many octets of a line form stand for."""
    return octets * 1_000_000_000 // (stream_octets(form, option, 1) * HYPERFRAMES_PER_SECOND)
