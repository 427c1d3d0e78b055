"""Data formats (forms) of line data: names, and how many octets they take.

| form | is |
|---|---|
| octets | received octets in line order |
| flagged | little-endian words: bits 7..0 octet, bit 8 K, bit 9 code violation, bit 10 disparity error |
| symbols | little-endian words: bit 0 = a (first on the line) to bit 9 = j |
| bits | packed line bits, first on the line in bit 0 of byte 0, any alignment |
| hex | text: hex octets between white space, an optional `offset:` column, `#` comments |
| blocks | nine octets a 64B/66B block: header in bits 0 and 1 of the first, then the scrambled payload |
| ffcap | the project's container, see `ffcap` |

`octets` and `flagged` hold what stands behind the line code; `symbols` belong to 8B/10B, `blocks` to 64B/66B.
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
    "check_form",
    "checked_option",
    "form_of_name",
    "item_octets",
    "stream_octets",
    "stream_time_ns",
]


class Form(StrEnum):
    OCTETS = "octets"
    FLAGGED = "flagged"
    SYMBOLS = "symbols"
    BITS = "bits"
    HEX = "hex"
    BLOCKS = "blocks"
    FFCAP = "ffcap"


LINE_FORMS = (Form.FLAGGED, Form.SYMBOLS, Form.BLOCKS, Form.OCTETS, Form.BITS)
"""The forms that a decoder takes, in the order in which they are tried."""
WORD_FORMS = (Form.FLAGGED, Form.SYMBOLS)
COUNTED_FORMS = (Form.OCTETS, Form.FLAGGED)
"""Forms that boards give in counted hyperframes, and may leave some out of."""


def form_of_name(name: str) -> Form | None:
    """The form that a file name's suffix stands for, or None."""
    suffix = name.rpartition(".")[2].lower()
    return Form(suffix) if "." in name and suffix in tuple(Form) else None


def item_octets(form: Form) -> int:
    """Octets of one item of a form: a word, a block, or one octet."""
    return 9 if form is Form.BLOCKS else 2 if form in WORD_FORMS else 1


def check_form(form: Form, option: str) -> None:
    """InputError where an option has no such line data: symbols with 64B/66B, blocks with 8B/10B."""
    code = {Form.SYMBOLS: "8b10b", Form.BLOCKS: "64b66b"}.get(form)
    if code is not None and OPTIONS[option].line_code != code:
        fitting = ", ".join(o.name for o in OPTIONS.values() if o.line_code == code)
        raise InputError(f"form {form} is not valid for option {option}", hint=f"it is for options {fitting}")


def checked_option(name: str) -> str:
    """The option's own name; InputError for one that does not exist."""
    try:
        option = option_named(name)
    except SettingsError as error:
        raise InputError(str(error)) from None
    return option.name


def stream_octets(form: Form, option: str, hyperframes: int) -> int:
    """Octets that so many hyperframes take in a form (hex: with an offset column)."""
    line = OPTIONS[option]
    if form is Form.BITS:
        return line.hyperframe_line_bits * hyperframes // 8
    octets = line.hyperframe_octets * hyperframes
    if form is Form.BLOCKS:
        return octets // 8 * 9
    return 4 * octets if form is Form.HEX else octets * item_octets(form)


def stream_time_ns(form: Form, option: str, octets: int) -> int:
    """Nanoseconds on the line that so many octets of a line form stand for."""
    return octets * 1_000_000_000 // (stream_octets(form, option, 1) * HYPERFRAMES_PER_SECOND)
