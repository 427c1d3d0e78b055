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

import re
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from decoders.code_8b10b import K28_5, K28_5_SYMBOLS, find_sync_symbols
from decoders.errors import SettingsError
from decoders.linerates import HYPERFRAMES_PER_FRAME, HYPERFRAMES_PER_SECOND, OPTIONS, option_named

from .capture import MAGIC
from .errors import InputError

__all__ = [
    "COUNTED_FORMS",
    "LINE_FORMS",
    "WORD_FORMS",
    "Decision",
    "Form",
    "FormWriter",
    "HexReader",
    "HexWriter",
    "SyncFinding",
    "checked_option",
    "decide",
    "decide_line_data",
    "find_sync",
    "flagged_words",
    "form_of_name",
    "hex_octets",
    "stream_octets",
    "stream_time_ns",
]

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
I64 = NDArray[np.int64]


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
FILLERS = (0x50, 0xC5, 0xB0, 0x3A)
"""Z.0.1: D16.2 or D5.6, and how they read on a line pair that is swapped (computed)."""
CLEAR_SPACINGS = 3
"""So many hyperframe spacings make a finding that outweighs what the user said."""


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


# ---------------------------------------------------------------- sync in a head of data


@dataclass(frozen=True, slots=True)
class SyncFinding:
    """Sync seen in a form: the option, how often its spacing was seen, and octets to skip to whole words."""

    form: Form
    option: str
    spacings: int
    skip: int = 0

    @property
    def clear(self) -> bool:
        return self.spacings >= CLEAR_SPACINGS


def find_sync(
    data: U8, form: Form, prefer: str | None = None, *, by_number: bool = True
) -> SyncFinding | None:
    """Sync of a line form in `data` (uint8, shape (n,)), or None.

    `prefer` wins where it explains the data as well. Octets are judged by the running hyperframe number, or
    without `by_number` by fillers and spacing alone.
    """
    if form is Form.BITS:
        return _vote(find_sync_symbols(data, 0, 8 * len(data)), 8 * len(data), 10, form, prefer=prefer)
    if form is Form.OCTETS:
        return _find_in_octets(data, prefer, by_number)
    best: SyncFinding | None = None
    for skip in (0, 1):
        words = _words(data, skip)
        if _share_in_range(words, form) < 0.99:
            continue
        if form is Form.FLAGGED:
            hits = (words & 0x1FF) == (0x100 | K28_5)
        else:
            hits = (words == K28_5_SYMBOLS[0]) | (words == K28_5_SYMBOLS[1])
        found = _vote(np.flatnonzero(hits), len(words), 1, form, prefer=prefer, skip=skip)
        if found is not None and (best is None or found.spacings > best.spacings):
            best = found
    return best


def _words(data: U8, skip: int) -> U16:
    count = max(len(data) - skip, 0) // 2
    return data[skip : skip + 2 * count].view("<u2") if count else np.zeros(0, np.uint16)


def _share_in_range(words: U16, form: Form) -> float:
    limit = 0x7FF if form is Form.FLAGGED else 0x3FF
    return float(np.mean(words <= limit)) if len(words) else 0.0


def _word_phase(data: U8, form: Form) -> int:
    """Octets to skip to whole words, judged by the range of the words alone."""
    return int(_share_in_range(_words(data, 0), form) < 0.5 and _share_in_range(_words(data, 1), form) > 0.99)


def _pairs(positions: I64, spacing: int) -> I64:
    """Those positions that have another one exactly `spacing` later; `positions` ascend."""
    later = np.searchsorted(positions, positions + spacing)
    later[later == len(positions)] = 0
    paired: I64 = positions[positions[later] == positions + spacing]
    return paired


def _vote(
    positions: I64, length: int, unit: int, form: Form, *, prefer: str | None, skip: int = 0
) -> SyncFinding | None:
    """The option whose hyperframe (of `unit` places an octet) is the spacing of `positions`, or None."""
    seen = {}
    for option in OPTIONS.values():
        spacing = option.hyperframe_octets * unit
        if option.line_code == "8b10b" and spacing < length:
            count = len(_pairs(positions, spacing)) if len(positions) > 1 else 0
            seen[option.name] = (count, len(positions) ** 2 / length, length // spacing - 1)
    return _elect(seen, form, prefer, skip)


def _elect(
    seen: dict[str, tuple[int, float, int]], form: Form, prefer: str | None, skip: int = 0
) -> SyncFinding | None:
    """Choose among (pairs, pairs to expect by chance, pairs a whole stream has) of each option.

    There is one sync word a hyperframe: far fewer pairs than fit are chance, far more are a periodic payload.
    Of the rest the smallest spacing with at least half the votes of the best wins, since twice a spacing is
    seen as well.
    """
    shares, counts = {}, {}
    for name, (count, chance, whole) in seen.items():
        excess = count - chance
        if excess > 0.5 + 6 * chance**0.5 and 0.1 * whole <= excess <= 1.5 * whole + 2:
            counts[name], shares[name] = count, min(excess / max(whole, 1), 1.0)
    if not counts:
        return None
    winner = next(name for name, count in counts.items() if 2 * count >= max(counts.values()))
    if prefer in counts and shares[prefer] > 1.5 * shares[winner]:
        winner = prefer
    return SyncFinding(form, winner, counts[winner], skip)


def _find_in_octets(data: U8, prefer: str | None, by_number: bool) -> SyncFinding | None:
    sync = np.flatnonzero(data == K28_5)
    seen = {}
    for option in OPTIONS.values():
        spacing, size = option.hyperframe_octets, option.word_octets
        if option.line_code != "8b10b" or spacing >= len(data):
            continue
        places = sync[sync <= len(data) - size]
        if size > 1:
            places = places[np.isin(data[places + 1], FILLERS)]
        chance = len(places) ** 2 / len(data)
        first = _pairs(places, spacing) if len(places) > 1 else places[:0]
        if by_number:  # Z.64.0 is a quarter of a hyperframe on
            first = first[first + spacing + spacing // 4 < len(data)]
            number = data[first + spacing // 4].astype(np.int64)
            following = data[first + spacing + spacing // 4]
            running = (number < HYPERFRAMES_PER_FRAME) & ((number + 1) % HYPERFRAMES_PER_FRAME == following)
            first = first[running]
            chance *= HYPERFRAMES_PER_FRAME / 65536
        else:
            for y in range(2, size):  # the same in both, scrambled or not
                first = first[data[first + y] == data[first + spacing + y]]
        seen[option.name] = (len(first), chance, len(data) // spacing - 1)
    return _elect(seen, Form.OCTETS, prefer)


def _looks_64b66b(data: U8) -> bool:
    """Whether packed bits have a two-bit header of unlike bits every 66 (IEEE 802.3 clause 49.2.4)."""
    bits = np.unpackbits(data[: 66 * 64], bitorder="little")
    rows = (len(bits) - 1) // 66
    if rows < 64:
        return False
    unlike = (bits[: 66 * rows] != bits[1 : 66 * rows + 1]).reshape(rows, 66).mean(axis=0)
    return int(np.count_nonzero(unlike > 0.97)) == 1


# ---------------------------------------------------------------- what a source is


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
        raise InputError("does not begin as an .ffcap capture does", 0)
    text = _looks_like_text(bytes(head[:65536]))
    hex_text = text and _hex_share(bytes(head[:65536])) >= 0.8
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
            raise InputError("is named as hex, but is not text", 0, "give --form and --option")
        if chosen is None or option is None:
            raise _not_found(data, form, chosen)
        skip = _word_phase(data, chosen) if chosen in WORD_FORMS else 0
        return Decision(chosen, option, skip, False, _skip_warning(skip))
    _hold_against(found, option, warnings)
    if form is None and hint is not None and found.form is not hint:
        warnings.append(f"named as {hint}, but reads as {found.form}")
    warnings += _skip_warning(found.skip)
    return Decision(found.form, option or found.option, found.skip, True, warnings)


def _skip_warning(skip: int) -> list[str]:
    return [f"{skip} byte skipped at the front: a 16-bit word was cut there"] if skip else []


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
    if form in (None, Form.BITS) and _looks_64b66b(data):
        return InputError("looks like 64B/66B line bits (options 7A, 8, 9, 10), which cannot be decoded yet")
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


# ---------------------------------------------------------------- hex text

_COLUMN = re.compile(rb"[ \t]*(?:0[xX])?[0-9A-Fa-f]*[ \t]*:")
_TOKEN = re.compile(rb"\S+")
_HALF = re.compile(rb"[0-9A-Fa-f](?:[0-9A-Fa-f]{2})*")
_PAIRS = re.compile(rb"(?:[0-9A-Fa-f]{2})+")
_COLUMN_OCTETS = np.isin(np.arange(256), np.frombuffer(b"0123456789abcdefABCDEFxX: \t", np.uint8))
LONG_LINE = 1 << 20


def _bad_token(line: bytes) -> re.Match[bytes] | None:
    """The first token of a line without comment that is not hex octets, after its offset column."""
    column = _COLUMN.match(line)
    for token in _TOKEN.finditer(line, column.end() if column else 0):
        if not _PAIRS.fullmatch(token[0]):
            return token
    return None


def _hex_share(text: bytes) -> float:
    """The share of lines with something on them, whole ones, that are hex."""
    lines = text.split(b"\n")
    lines = [line.partition(b"#")[0] for line in (lines[:-1] if len(lines) > 2 else lines)]
    lines = [line for line in lines if line.strip()]
    return sum(_bad_token(line) is None for line in lines) / len(lines) if lines else 0.0


class HexReader:
    """Hex text to octets, piece by piece.

    A first line that does not parse is dropped with a warning (the file was cut at its front). What is wrong
    later ends the stream: `feed` returns what came before and keeps the InputError in `error`.
    """

    def __init__(self) -> None:
        self.error: InputError | None = None
        self.warnings: list[str] = []
        self._carry = b""
        self._line = 1
        self._offset = 0  # of the first octet of the carry
        self._column = 0  # where in its line the carry begins
        self._comment = False
        self._octets = 0
        self._dropped: InputError | None = None

    @property
    def offset(self) -> int:
        """Byte offset in the text of what the next octets come from."""
        return self._offset

    def feed(self, text: bytes | memoryview, *, final: bool = False) -> bytes:
        """The octets of all lines that `text` completes (with `final`, of the rest too)."""
        if self.error is not None:
            return b""
        data = self._carry + bytes(text)
        if self._offset == 0 and data.startswith(b"\xef\xbb\xbf"):  # byte order mark
            data, self._offset = data[3:], 3
        cut = len(data) if final else data.rfind(b"\n") + 1
        if not cut and len(data) > LONG_LINE:
            blank = max(data.rfind(b" "), data.rfind(b"\t"), data.rfind(b"\r"))
            cut = blank + 1 if blank >= 0 else len(data) & ~1
        piece, self._carry = data[:cut], data[cut:]
        octets = self._parse(piece)
        self._octets += len(octets)
        if final and not self._octets and self.error is None:
            self.error = self._dropped or InputError("holds no hex octets")
        return octets

    def _parse(self, piece: bytes) -> bytes:
        octets = b""
        if piece and (
            self._line == 1 or self._column
        ):  # the first line, or the rest of one cut for its length
            end = piece.find(b"\n") + 1 or len(piece)
            octets, piece = self._parse_slowly(piece[:end]), piece[end:]
        if piece and self.error is None:
            octets += self._parse_lines(piece)
        return octets

    def _parse_lines(self, piece: bytes) -> bytes:
        """From the start of a line on, all at once where nothing is wrong."""
        octets = hex_octets(piece)
        if octets is None:
            return self._parse_slowly(piece)
        self._line += piece.count(b"\n")
        self._offset += len(piece)
        self._column = len(piece) - piece.rfind(b"\n") - 1
        self._comment = self._column > 0 and b"#" in piece[-self._column :]
        return octets

    def _parse_slowly(self, piece: bytes) -> bytes:
        """Line by line, to find what is wrong."""
        octets = bytearray()
        for line in piece.splitlines(keepends=True) if self._line > 1 else [piece]:
            code = b"" if self._comment else line.partition(b"#")[0]
            column = None if self._column else _COLUMN.match(code)
            body_at = column.end() if column else 0
            try:
                octets += bytes.fromhex(code[body_at:].decode("ascii"))
            except ValueError:
                if self._line > 1 or self._column:
                    self.error = self._bad_token(code, body_at)
                    break
                octets += self._cut_line(code, body_at)
            self._offset += len(line)
            if line.endswith(b"\n"):
                self._line += 1
                self._column, self._comment = 0, False
            else:
                self._column += len(line)
                self._comment = self._comment or b"#" in line
        return bytes(octets)

    def _cut_line(self, code: bytes, start: int) -> bytes:
        """The first line, which does not parse: without its first token if that helps, else nothing of it."""
        self._dropped = self._bad_token(code, start)
        part, octets = "line 1", b""
        first = _TOKEN.search(code, start)
        if first is not None and _HALF.fullmatch(first[0]):
            with suppress(ValueError):
                octets = bytes.fromhex(code[first.end() :].decode("ascii"))
                part = f"'{first[0].decode('ascii')}' at the start of line 1"
        self._comment = not octets  # whatever else this line has
        self.warnings.append(f"hex: {part} left out, it is not whole (was the file cut at its front?)")
        return octets

    def _bad_token(self, code: bytes, start: int) -> InputError:
        tokens = _TOKEN.finditer(code, start)
        bad = next(token for token in tokens if not _PAIRS.fullmatch(token[0]))
        shown = bad[0][:20].decode("ascii", "backslashreplace")
        column = self._column + bad.start() + 1
        return InputError(
            f"hex: '{shown}' is not an octet (line {self._line}, column {column})", self._offset + bad.start()
        )


def hex_octets(piece: bytes) -> bytes | None:
    """The octets of whole lines of hex text; None where any of them is something else."""
    stripped = _without_columns(piece) if b"#" in piece or b":" in piece else piece
    try:
        return bytes.fromhex(stripped.decode("ascii"))
    except ValueError:
        return None


def _without_columns(piece: bytes) -> bytes:
    """Whole lines without comments and offset columns; columns stay where one is wrong."""
    data = np.frombuffer(piece, np.uint8)
    stride, colon = piece.find(b"\n") + 1, piece.find(b":")
    lines = len(piece) // stride if stride else 0
    if 0 <= colon < stride and len(piece) == lines * stride and b"#" not in piece:
        table = data.reshape(lines, stride)
        alike = (table[:, -1] == ord("\n")).all() and (table[:, colon] == ord(":")).all()
        if alike and piece.count(b"\n") == piece.count(b":") == lines:  # as most programs write it
            columns = table[:, : colon + 1]
            return table[:, colon + 1 :].tobytes() if _COLUMN_OCTETS[columns].all() else piece
    if b"#" in piece:
        data, _ = _drop_in_lines(data, ord("#"), to_end=True)
    if b":" in piece:
        rest, columns = _drop_in_lines(data, ord(":"), to_end=False)
        data = rest if _COLUMN_OCTETS[columns].all() else data
    return data.tobytes()


def _drop_in_lines(data: U8, mark: int, *, to_end: bool) -> tuple[U8, U8]:
    """Leave out each line from its first `mark` to its end, or from its start to the mark: rest, left out."""
    ends = np.flatnonzero(data == 10)
    marks = np.flatnonzero(data == mark)
    lines, first = np.unique(np.searchsorted(ends, marks), return_index=True)
    marks = marks[first]
    if to_end:
        begin, stop = marks, np.append(ends, len(data))[lines]
    else:
        begin, stop = np.concatenate(([0], ends + 1))[lines], marks + 1
    step = np.zeros(len(data) + 1, np.int8)
    step[begin] += 1
    step[stop] -= 1
    out = np.cumsum(step[:-1], dtype=np.int8).view(np.bool_)
    return data[~out], data[out]


# ---------------------------------------------------------------- writing


class HexWriter:
    """Octets to hex text: `offset:` of 8 digits (16 beyond 4 GiB) and 16 octets a line."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._rest = b""
        self._offset = 0

    def write(self, octets: bytes | memoryview | U8) -> None:
        data = self._rest + bytes(octets)
        whole = len(data) & ~15
        self._rest = data[whole:]
        if whole:
            self._stream.write(self._lines(np.frombuffer(data, np.uint8, whole).reshape(-1, 16)))

    def close(self) -> None:
        """Write the last, shorter line; the stream stays open."""
        if self._rest:
            self._stream.write(self._lines(np.frombuffer(self._rest, np.uint8).reshape(1, -1)))
            self._rest = b""

    def _lines(self, rows: U8) -> bytes:
        count, width = rows.shape
        offsets = self._offset + 16 * np.arange(count, dtype=np.int64)
        self._offset += rows.size
        digits = 8 if self._offset < 1 << 32 else 16
        text = np.empty((count, digits + 2 + 3 * width), np.uint8)
        text[:, :digits] = _hex_digits(offsets.astype(f">u{digits // 2}").tobytes(), digits)
        text[:, digits : digits + 2] = (ord(":"), ord(" "))
        text[:, digits + 2 :] = _hex_digits(rows.tobytes(), 3 * width, " ")
        text[:, -1] = ord("\n")
        return text.tobytes()


def _hex_digits(data: bytes, width: int, separator: str = "") -> U8:
    """Hex digits as rows of `width` characters, each octet followed by the separator."""
    text = data.hex(separator) + separator if separator else data.hex()
    return np.frombuffer(text.upper().encode("ascii"), np.uint8).reshape(-1, width)


def flagged_words(
    octets: U8,
    k_positions: I64 | None = None,
    violations: I64 | None = None,
    disparity_errors: I64 | None = None,
) -> U16:
    """Words of the flagged form (uint16, shape (n,)) of octets (uint8, shape (n,)) and positions in them."""
    words = octets.astype("<u2")
    for bit, positions in ((0x100, k_positions), (0x200, violations), (0x400, disparity_errors)):
        if positions is not None:
            words[positions] |= bit
    return words


class FormWriter:
    """Writes one raw form to a stream: octets or packed bits as uint8, flagged words or symbols as uint16."""

    def __init__(self, stream: BinaryIO, form: Form) -> None:
        if form is Form.FFCAP:
            raise ValueError("an .ffcap capture is written by CaptureWriter")
        self.form = form
        self._stream = stream
        self._hex = HexWriter(stream) if form is Form.HEX else None

    def write(self, data: U8 | U16) -> None:
        """ValueError for an array of the wrong item size."""
        size = 2 if self.form in WORD_FORMS else 1
        if data.dtype.kind != "u" or data.dtype.itemsize != size:
            raise ValueError(f"{self.form} is written from unsigned items of {size} octets, not {data.dtype}")
        if self._hex is not None:
            self._hex.write(data.astype(np.uint8, copy=False))
        else:
            native = np.ascontiguousarray(data, dtype=data.dtype.newbyteorder("<"))
            self._stream.write(native.data.cast("B"))

    def close(self) -> None:
        """Write what is held back; the stream stays open."""
        if self._hex is not None:
            self._hex.close()
