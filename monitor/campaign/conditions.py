"""Conditions of the link under test."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import Protocol

from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named

from ..emulation.emulated_link import DEFAULT_RATE_CODES
from ..emulation.line_settings import LineSettings
from ..errors import InputError
from ..formats.forms import Form, check_form, checked_option
from ..sources.names import is_pair

__all__ = [
    "CHUNK_HYPERFRAMES",
    "LEAD_HYPERFRAMES",
    "MOST_HYPERFRAMES",
    "Conditions",
    "LinkConditions",
    "line_not_proven",
    "not_shown_in",
    "sent_line_words",
    "tail_hyperframes",
]

CHUNK_HYPERFRAMES = 8
LEAD_HYPERFRAMES = 24
"""Hyperframes before the fault: sync takes four of them."""
MOST_HYPERFRAMES = 100_000
"""Of one trial, whose line data are held in memory."""
LOAD = 1.0
"""Full channels: then the order of the frames does not hang on how the stream is cut."""
FIRST_BFN, FIRST_HFN = 4095, 100
"""Of the first hyperframe, so that HFN 149 to 0 and BFN 4095 to 0 lie in every case."""
DELAY_BITS = 1237
DEFAULT_POINTER = 40
_LONGEST_SLOW_OCTETS = 340
_LONGEST_FAST_OCTETS = 1750
"""A frame that waits, the damaged frame, and what the channel code adds; with room (computed)."""


class Conditions(Protocol):
    """What a campaign knows of the link that faults are put into.

    `length` are the hyperframes of a case, at the least; `fault_hyperframe` of them come before the fault.
    """

    @property
    def option(self) -> str: ...
    @property
    def line(self) -> LineRateOption: ...
    @property
    def form(self) -> LineForm: ...
    @property
    def pointer_p(self) -> int: ...
    @property
    def rate_code(self) -> int: ...
    @property
    def sent_line(self) -> LineSettings: ...
    @property
    def hyperframes(self) -> int | None: ...
    @property
    def length(self) -> int: ...
    @property
    def fault_hyperframe(self) -> int: ...
    @property
    def words(self) -> dict[str, str | int | None]:
        """For reports: each condition by its name."""
        ...

    @property
    def not_proven(self) -> list[str]:
        """What such a link cannot show of a receiver, a line each."""
        ...

    def hfn_at(self, hyperframe: int) -> int:
        """The right HFN of a hyperframe."""
        ...

    def command(self, name: str, seed: int | None, *more: str) -> str:
        """The command line that does the same again, or at another seed."""
        ...


def not_shown_in(form: LineForm) -> list[str]:
    """What line data of a form do not show of a receiver, a line each."""
    what = {
        LineForm.OCTETS: "special characters, code errors and LOS, the line code, and its word alignment",
        LineForm.FLAGGED: "the line code and its word alignment, which are behind what made the flagged words",
        LineForm.SYMBOLS: "the word alignment, which is behind what made the symbols",
        LineForm.BLOCKS: "the block boundaries, which are behind what made the blocks",
    }
    return [f"line: {what[form]} (form {form.value})"] if form in what else []


def tail_hyperframes(line: LineRateOption, rate_code: int, pointer_p: int) -> int:
    """Hyperframes after a fault in which the slowest C&M channel brings a damaged frame."""
    slow = line.hdlc_octets(rate_code) or 0
    fast = line.ethernet_octets(pointer_p) if pointer_p else 0
    tail = 40
    if slow:
        tail = max(tail, 2 * CHUNK_HYPERFRAMES - -_LONGEST_SLOW_OCTETS // slow)
    if fast:
        tail = max(tail, 2 * CHUNK_HYPERFRAMES - -_LONGEST_FAST_OCTETS // fast)
    return tail


def line_not_proven(line: LineRateOption) -> list[str]:
    """What no link of an option can show of a receiver."""
    if line.line_code == "8b10b":
        return []
    return [
        "line: LOS by bad block headers, which the standard leaves open; after 16 of a hyperframe, or where"
        " block lock is lost, it may come or not"
    ]


def sent_line_words(line: LineRateOption, sent: LineSettings) -> dict[str, str | int | None]:
    """RS-FEC and scrambling as conditions, by their names."""
    words: dict[str, str | int | None] = {}
    if line.line_code == "64b66b":
        words["fec"] = "on" if sent.fec else "off"
    if sent.scrambling is not None:
        words["scrambling"] = sent.scrambling
    return words


@dataclass(frozen=True, slots=True)
class LinkConditions:
    """The emulated link that faults are put into.

    `form` is the data format of a crafted capture; emulated links give bits. `hyperframes` None takes as many after
    the fault as the slowest C&M channel needs for a damaged frame. `load`: share of the C&M channels that is filled.
    `delay_bits` of the cable set the word alignment. With `every_plane` all control words have traffic. `fec`,
    `fec_header_xor` and `scrambling` as in LineSettings.
    """

    source: str = "emulated"
    crafted: bool = False
    form: LineForm = LineForm.BITS
    option: str = "2"
    pointer_p: int = DEFAULT_POINTER
    hdlc_rate_code: int | None = None
    seed: int = 1
    hyperframes: int | None = None
    load: float = LOAD
    first_bfn: int = FIRST_BFN
    first_hfn: int = FIRST_HFN
    delay_bits: int = DELAY_BITS
    every_plane: bool = False
    fec: bool = False
    fec_header_xor: bool = False
    scrambling: int | None = None

    def __post_init__(self) -> None:
        if self.hyperframes is not None and self.hyperframes > MOST_HYPERFRAMES:
            raise InputError(
                f"--hyperframes {self.hyperframes}: at most {MOST_HYPERFRAMES} on an emulated link"
            )
        is_pair(self.source)
        if self.form is not LineForm.BITS and not self.crafted:
            raise InputError(f"form {self.form.value}: an emulated link gives bits", hint="add --via craft")
        if self.crafted and self.source != "emulated":
            raise InputError(f"a crafted capture has one sender, so {self.source} cannot be crafted")
        check_form(Form(self.form.value), checked_option(self.option))
        self.sent_line.check(self.line)
        if self.fec and self.form is not LineForm.BITS:
            raise InputError(
                f"form {self.form.value} is what stands behind RS-FEC; FEC is in the form bits only"
            )

    @property
    def line(self) -> LineRateOption:
        return option_named(self.option)

    @property
    def sent_line(self) -> LineSettings:
        """How hyperframes go on the line."""
        return LineSettings(self.fec, self.fec_header_xor, self.scrambling)

    @property
    def rate_code(self) -> int:
        """HDLC rate code: the one asked for, or the highest of the option."""
        return DEFAULT_RATE_CODES.get(self.option, 6) if self.hdlc_rate_code is None else self.hdlc_rate_code

    @property
    def fault_hyperframe(self) -> int:
        return LEAD_HYPERFRAMES

    @property
    def length(self) -> int:
        """Hyperframes sent in all."""
        if self.hyperframes is not None:
            return LEAD_HYPERFRAMES + self.hyperframes
        return LEAD_HYPERFRAMES + tail_hyperframes(self.line, self.rate_code, self.pointer_p)

    @property
    def not_proven(self) -> list[str]:
        out = not_shown_in(self.form) + line_not_proven(self.line)
        if self.fec:
            rule = "on" if self.fec_header_xor else "off"
            out.append(
                f"line: that the header rule of codewords (here {rule}) is the one of the standard, and their phase"
            )
        return out

    def hfn_at(self, hyperframe: int) -> int:
        return (self.first_hfn + hyperframe) % HYPERFRAMES_PER_FRAME

    def command(self, name: str, seed: int | None, *more: str) -> str:
        words = ["framefray", name, self.source, "--option", self.option]
        if self.crafted:
            words += ["--via", "craft", "--form", self.form.value]
        if self.fec:
            words += ["--fec", "on", "--fec-header-xor", "on" if self.fec_header_xor else "off"]
        if self.scrambling is not None:
            words += ["--scrambling", str(self.scrambling)]
        words += ["--pointer", str(self.pointer_p), "--hdlc-rate", str(self.rate_code)]
        words += ["--seed", str(self.seed if seed is None else seed)]
        if self.hyperframes is not None:
            words += ["--hyperframes", str(self.hyperframes)]
        if self.load != LOAD:
            words += ["--traffic", f"{self.load:g}"]
        return shlex.join([*words, *more])

    @property
    def words(self) -> dict[str, str | int | None]:
        return {
            "source": self.source,
            "via": "craft" if self.crafted else "link",
            "form": self.form.value,
            "option": self.option,
            "pointer_p": self.pointer_p,
            "hdlc_rate_code": self.rate_code,
            "seed": self.seed,
            "hyperframes": self.length,
            "fault_hyperframe": self.fault_hyperframe,
            "traffic": f"{self.load:g}",
            **sent_line_words(self.line, self.sent_line),
            **({"fec_header_xor": "on" if self.fec_header_xor else "off"} if self.fec else {}),
            "first_bfn": self.first_bfn,
            "first_hfn": self.first_hfn,
        }
