"""Data format and line bit rate, found from the data."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.arrays import I64, U8, U16
from decoders.line_coding.code_8b10b import K28_5, K28_5_SYMBOLS, find_sync_symbols
from decoders.line_coding.scrambling import SCRAMBLED_OPTIONS, keystream_octets, known_seeds
from decoders.linerates import HYPERFRAMES_PER_FRAME, OPTIONS, LineRateOption

from ..errors import InputError
from ..text import counted
from .block_detection import block_phase, find_block_sync, holds_blocks
from .ffcap import MAGIC
from .forms import LINE_FORMS, WORD_FORMS, Form
from .hex_text import HexReader, hex_share
from .sync_spacing import (
    SyncFinding,
    Votes,
    elected_option,
    option_of_spacing,
    paired_positions,
    with_running_hfn,
)

__all__ = ["Decision", "decide", "decide_line_data", "find_sync"]

FILLERS = (0x50, 0xC5, 0xB0, 0x3A)
"""Z.0.1: D16.2 or D5.6, and how they read on a line pair that is swapped (computed)."""


def find_sync(
    data: U8, form: Form, prefer: str | None = None, *, by_number: bool = True
) -> SyncFinding | None:
    """Sync of a line form in `data` (uint8, shape (n,)), or None; 64B/66B is looked for before 8B/10B.

    `prefer` wins where it explains the data as well. Octets are judged by the running hyperframe number, or
    without `by_number` by fillers and spacing alone; of both line codes the one counts whose sync words cover more.
    """
    if form is Form.OCTETS:
        blocks = find_block_sync(data, form, prefer, by_number=by_number)
        found = [blocks, _find_in_octets(data, prefer, by_number)]
        if prefer is not None and OPTIONS[prefer].line_code == "8b10b":
            found.reverse()  # the first of two that cover as much
        return max((f for f in found if f is not None), key=_covered, default=None)
    if prefer is not None and OPTIONS[prefer].line_code == "8b10b":
        return _find_symbol_sync(data, form, prefer, by_number) or find_block_sync(
            data, form, prefer, by_number=by_number
        )
    return find_block_sync(data, form, prefer, by_number=by_number) or _find_symbol_sync(
        data, form, prefer, by_number
    )


def _find_symbol_sync(data: U8, form: Form, prefer: str | None, by_number: bool) -> SyncFinding | None:
    if form is Form.BITS:
        commas = find_sync_symbols(data, 0, 8 * len(data))
        return option_of_spacing(commas, 8 * len(data), 10, form, line_code="8b10b", prefer=prefer)
    if form is Form.BLOCKS:
        return None
    best: SyncFinding | None = None
    for skip in (0, 1):
        words = _words(data, skip)
        if _share_in_range(words, form) < 0.99:
            continue
        if form is Form.FLAGGED:
            hits = (words & 0x1FF) == (0x100 | K28_5)
        else:
            hits = (words == K28_5_SYMBOLS[0]) | (words == K28_5_SYMBOLS[1])
        found = option_of_spacing(
            np.flatnonzero(hits), len(words), 1, form, line_code="8b10b", prefer=prefer, skip=skip
        )
        if found is not None and (best is None or found.spacings > best.spacings):
            best = found
    return best


def _covered(found: SyncFinding) -> int:
    """Octets of the link between the sync words that were seen."""
    return found.spacings * OPTIONS[found.option].hyperframe_octets


def _words(data: U8, skip: int) -> U16:
    count = max(len(data) - skip, 0) // 2
    return data[skip : skip + 2 * count].view("<u2") if count else np.zeros(0, np.uint16)


def _share_in_range(words: U16, form: Form) -> float:
    limit = 0x7FF if form is Form.FLAGGED else 0x3FF
    return float(np.mean(words <= limit)) if len(words) else 0.0


def _item_phase(data: U8, form: Form) -> int:
    """Octets to skip to whole words or blocks, judged by the range of their values alone."""
    if form is Form.BLOCKS:
        return block_phase(data) or 0
    if form not in WORD_FORMS:
        return 0
    return int(_share_in_range(_words(data, 0), form) < 0.5 and _share_in_range(_words(data, 1), form) > 0.99)


def _find_in_octets(data: U8, prefer: str | None, by_number: bool) -> SyncFinding | None:
    sync = np.flatnonzero(data == K28_5)
    seen: Votes = {}
    for option in OPTIONS.values():
        spacing, size = option.hyperframe_octets, option.word_octets
        if option.line_code != "8b10b" or spacing >= len(data):
            continue
        places = sync[sync <= len(data) - size]
        if size > 1:
            places = places[np.isin(data[places + 1], FILLERS)]
        chance = len(places) ** 2 / len(data)
        first = paired_positions(places, spacing)
        if by_number:
            plain = with_running_hfn(data, first, spacing)
            scrambled = option.name in SCRAMBLED_OPTIONS
            first = np.union1d(plain, _with_running_seed(data, first, option)) if scrambled else plain
            chance *= HYPERFRAMES_PER_FRAME / 65536
        else:
            for y in range(2, size):  # the same in both, scrambled or not
                first = first[data[first + y] == data[first + spacing + y]]
        seen[option.name] = (len(first), chance, len(data) // spacing - 1)
    return elected_option(seen, Form.OCTETS, prefer)


def _with_running_seed(data: U8, starts: I64, option: LineRateOption) -> I64:
    """As `with_running_hfn`, of version 2: a seed fits the octets that are known, and takes HFN off."""
    spacing, width = option.hyperframe_octets, option.word_octets
    number = spacing // 4  # Z.64.0
    starts = starts[starts + spacing + number < len(data)]
    fits, hfn = [], []
    for begins in (starts, starts + spacing):
        seeds, fit = known_seeds(data[begins[:, None] + np.arange(width)])
        fits.append(fit)
        hfn.append((data[begins + number] ^ keystream_octets(seeds, number)).astype(np.int64))
    valid = fits[0] & fits[1] & (hfn[0] < HYPERFRAMES_PER_FRAME)
    found: I64 = starts[valid & ((hfn[0] + 1) % HYPERFRAMES_PER_FRAME == hfn[1])]
    return found


@dataclass(slots=True)
class Decision:
    """What the data are: form as stored, option, octets to skip at the front, and what to tell the user."""

    form: Form
    option: str | None
    skip: int = 0
    certain: bool = False
    warnings: list[str] = field(default_factory=list)


def decide(
    head: bytes | memoryview,
    form: Form | None,
    option: str | None,
    *,
    hint: Form | None = None,
    complete: bool = True,
) -> Decision:
    """Form and option of a stream that begins with `head`; None of either means it is to be found.

    `option` is a checked name, `hint` the form that the file name stands for; `complete` says that `head` is
    all there is. For Form.FFCAP the option is left to its header. InputError where it cannot be found, or
    where the data clearly are something else than what was said.
    """
    data = np.frombuffer(head, np.uint8)
    if bytes(head[: len(MAGIC)]) == MAGIC:
        if form not in (None, Form.FFCAP):
            raise InputError(f"is an .ffcap capture, not {form}", 0, "leave --form out")
        return Decision(Form.FFCAP, option, certain=True)
    if form is Form.FFCAP or (form is None and hint is Form.FFCAP):
        raise InputError("is not an .ffcap capture", 0)
    text = _looks_like_text(bytes(head[:65536]))
    hex_text = text and hex_share(bytes(head[:65536])) >= 0.8
    if form is Form.HEX or (form is None and (hex_text or (text and hint is Form.HEX))):
        return _decide_hex(head, form, option, complete)
    if hex_text:
        raise InputError(f"is hex text, not {form}", 0, "give --form hex")
    if text:
        raise InputError("is a text file, not line data and not hex", 0)
    return decide_line_data(data, form, option, hint=hint)


def decide_line_data(
    data: U8, form: Form | None, option: str | None, *, hint: Form | None = None
) -> Decision:
    """As `decide`, for data (uint8, shape (n,)) that are neither text nor an .ffcap capture."""
    warnings: list[str] = []
    forms = (form,) if form else tuple(sorted(LINE_FORMS, key=lambda other: other is not hint))
    found = _first_finding(data, forms, option)
    if form and found is None:
        other = _first_finding(data, tuple(f for f in LINE_FORMS if f is not form), option)
        if other is not None and other.clear:
            raise InputError(
                f"holds {other.form} of option {other.option} ({other.spacings + 1} sync words in place), "
                f"not {form}",
                hint=f"give --form {other.form} --option {other.option}",
            )
    if found is None:
        chosen = form or hint
        if chosen is Form.HEX:
            raise InputError("has the suffix .hex, but is not text", 0, "give --form and --option")
        if chosen is None or option is None:
            raise _not_found(data, form, chosen)
        skip = _item_phase(data, chosen)
        return Decision(chosen, option, skip, False, _skip_warning(skip, chosen))
    _hold_against(found, option, warnings)
    if form is None and hint is not None and found.form is not hint:
        warnings.append(f"the suffix says {hint}, but the data format is {found.form}")
    warnings += _skip_warning(found.skip, found.form)
    return Decision(found.form, option or found.option, found.skip, True, warnings)


def _skip_warning(skip: int, form: Form) -> list[str]:
    if not skip:
        return []
    item = "block" if form is Form.BLOCKS else "16-bit word"
    return [f"{counted(skip, 'byte')} skipped at the start: the first {item} is not whole"]


def _first_finding(data: U8, forms: tuple[Form, ...], option: str | None) -> SyncFinding | None:
    """The first form with a finding (of the option said, if one has it); octets without numbers come last."""
    fallback: SyncFinding | None = None
    for by_number in (True, False):
        for form in forms:
            if not by_number and form is not Form.OCTETS:
                continue
            found = find_sync(data, form, option, by_number=by_number)
            if found is not None and (option is None or found.option == option):
                return found
            fallback = fallback or found
    return fallback


def _hold_against(found: SyncFinding, option: str | None, warnings: list[str]) -> None:
    if option is None or found.option == option:
        return
    places = OPTIONS[found.option].hyperframe_octets
    text = f"sync words stand {places} octets apart, which is option {found.option}, not option {option}"
    if found.clear:
        raise InputError(text, hint=f"give --option {found.option}")
    warnings.append(text)


def _not_found(data: U8, form: Form | None, chosen: Form | None) -> InputError:
    if form in (None, Form.BITS) and holds_blocks(data):
        return InputError(
            "64B/66B line bits without a hyperframe sync word",
            hint="give --form bits --option 7A, 8, 9 or 10",
        )
    tried = str(form) if form else ", ".join(LINE_FORMS[:-1]) + f" or {LINE_FORMS[-1]}"
    missing = "--option" if chosen else "--form and --option"
    return InputError(f"no hyperframe sync found in {len(data)} bytes as {tried}", hint=f"give {missing}")


def _decide_hex(head: bytes | memoryview, form: Form | None, option: str | None, complete: bool) -> Decision:
    reader = HexReader()
    octets = reader.feed(head, final=complete)
    if reader.error is not None:
        raise reader.error
    data = np.frombuffer(octets, np.uint8)
    found = _first_finding(data, (Form.OCTETS,), option)
    warnings: list[str] = []
    if found is None:
        if option is None:
            raise InputError(f"no hyperframe sync found in {len(data)} hex octets", hint="give --option")
        return Decision(Form.HEX, option)
    _hold_against(found, option, warnings)
    return Decision(Form.HEX, option or found.option, 0, True, warnings)


_CONTROL = bytes(set(range(32)) - set(b"\t\n\v\f\r\x1b")) + b"\x7f"


def _looks_like_text(data: bytes) -> bool:
    if (
        len(set(data)) < 3
        or not set(data) & set(b" \t\r\n")
        or len(data.translate(None, _CONTROL)) < len(data)
    ):
        return False
    for cut in range(4):  # the last character may be cut
        try:
            data[: len(data) - cut].decode("utf-8")
        except UnicodeDecodeError:
            continue
        return True
    return False
