"""A plan of faults in a TOML file: single ones, repeated ones, bursts, bit errors at a ratio, and combinations.

    [[fault]]                     # one fault, `repeat` times, `period` hyperframes apart
    kind = "hdlc.fcs"
    hyperframe = 40
    period = 20
    repeat = 3
    set = { xor = 0x8000 }

    [[together]]                  # several faults in one hyperframe, repeated likewise
    hyperframe = 120
    faults = ["sync.hfn:value=200", "ethernet.code:group=0"]

    [[burst]]                     # line.burst with places drawn anew each time
    hyperframe = 150
    count = 40
    span = 400
    seed = 3

    [[bit_errors]]                # line.flip at a bit error ratio
    ratio = 1e-6
    seed = 7
    hyperframe = 200              # from here on
    hyperframes = 500             # for so long; to the end if left out

The same plan gives the same faults. Nothing here looks at a stream.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, TypeVar

import msgspec
import numpy as np

from decoders.frame_structure.frames import octet_address
from decoders.linerates import LineRateOption

from ..errors import InputError
from ..toml_plans.key_places import key_lines_of, nearest_line
from .catalogue import CATALOGUE, kind_named, parse_fault, parse_values
from .kinds import Fault

__all__ = ["MOST_FAULTS", "Plan", "read_fault_plan", "read_plan_text"]

MOST_FAULTS = 20_000
"""More faults than this are more likely a slip of the pen than a plan."""

_MOST = (1 << 63) - 1
_Count = Annotated[int, msgspec.Meta(ge=1, le=_MOST)]
_Whole = Annotated[int, msgspec.Meta(ge=0, le=_MOST)]
_Value = Annotated[int, msgspec.Meta(ge=-_MOST, le=_MOST)]
_Seed = Annotated[int, msgspec.Meta(ge=0)]
_Ratio = Annotated[float, msgspec.Meta(gt=0.0, le=0.5)]
_T = TypeVar("_T")


class _Entry(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    hyperframe: _Whole
    period: _Count = 1
    repeat: _Count = 1


class _FaultEntry(_Entry, frozen=True, kw_only=True):
    kind: str
    set: dict[str, _Value] = {}


class _TogetherEntry(_Entry, frozen=True, kw_only=True):
    faults: list[str]


class _BurstEntry(_Entry, frozen=True, kw_only=True):
    count: _Count = 20
    span: _Count = 40
    seed: _Seed = 1


class _BitErrorEntry(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    ratio: _Ratio
    seed: _Seed = 1
    hyperframe: _Whole = 0
    hyperframes: _Count | None = None


class _File(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    fault: list[_FaultEntry] = []
    together: list[_TogetherEntry] = []
    burst: list[_BurstEntry] = []
    bit_errors: list[_BitErrorEntry] = []


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan as read; `faults` works it out for a stream."""

    name: str
    _text: str
    _file: _File

    def faults(
        self, option: LineRateOption, hyperframes: int, check: Callable[[Fault], object] = lambda _: None
    ) -> list[Fault]:
        """Every fault with its hyperframe, in time order, for a stream of `hyperframes`.

        InputError, with file, key and line, where one lies beyond the end, where there are too many, and where
        `check` raises one for a fault.
        """
        out: list[Fault] = []
        for table, entries, work in (
            ("fault", self._file.fault, _single),
            ("together", self._file.together, _together),
            ("burst", self._file.burst, _bursts(option)),
        ):
            for number, entry in enumerate(entries):
                last = entry.hyperframe + (entry.repeat - 1) * entry.period
                if last >= hyperframes:
                    key = "hyperframe" if entry.hyperframe >= hyperframes else "repeat"
                    text = f"the last one is at hyperframe {last}, the stream ends with {hyperframes - 1}"
                    raise self._error(table, number, key, text)
                if len(out) + entry.repeat > MOST_FAULTS:
                    raise self._error(table, number, "repeat", f"more than {MOST_FAULTS} faults in all")
                for time in range(entry.repeat):
                    at = entry.hyperframe + time * entry.period
                    try:
                        made = [replace(fault, hyperframe=at) for fault in work(entry, time)]
                        for fault in made:
                            check(fault)
                    except InputError as error:
                        raise self._error(table, number, "hyperframe", str(error)) from None
                    out += made
        for number, errors in enumerate(self._file.bit_errors):
            out += self._bit_errors(number, errors, option, hyperframes, MOST_FAULTS - len(out))
        return sorted(out, key=lambda fault: fault.hyperframe or 0)

    def _bit_errors(
        self, number: int, entry: _BitErrorEntry, option: LineRateOption, hyperframes: int, room: int
    ) -> list[Fault]:
        """Line bits drawn without regard to what they carry, each turned over once."""
        if entry.hyperframe >= hyperframes:
            text = f"{entry.hyperframe} is beyond the end of the stream, {hyperframes - 1}"
            raise self._error("bit_errors", number, "hyperframe", text)
        lasts = min(entry.hyperframes or hyperframes, hyperframes - entry.hyperframe)
        window = option.hyperframe_octets * 10
        random = np.random.default_rng(entry.seed)
        count = int(random.binomial(lasts * window, entry.ratio))
        if count > room:
            text = f"{count} bit errors in {lasts} hyperframes are too many (at most {MOST_FAULTS})"
            raise self._error("bit_errors", number, "ratio", text)
        out = []
        for bit in np.unique(random.integers(0, lasts * window, count)).tolist():
            at, inside = divmod(bit, window)
            x, w, y = octet_address(option, inside // 10)
            out.append(CATALOGUE["line.flip"].fault(entry.hyperframe + at, x=x, w=w, y=y, bit=inside % 10))
        return out

    def _error(self, table: str, number: int, key: str, text: str) -> InputError:
        line = _line_of(self._text, table, number, key)
        return InputError(f"{self.name}, line {line}: {table}.{key}: {text}")


def _single(entry: _Entry, time: int) -> list[Fault]:
    assert isinstance(entry, _FaultEntry)
    kind = kind_named(entry.kind)
    return [Fault(kind, None, parse_values(kind, entry.set))]


def _together(entry: _Entry, time: int) -> list[Fault]:
    assert isinstance(entry, _TogetherEntry)
    return [parse_fault(text) for text in entry.faults]


def _bursts(option: LineRateOption) -> Callable[[_Entry, int], list[Fault]]:
    def burst(entry: _Entry, time: int) -> list[Fault]:
        assert isinstance(entry, _BurstEntry)
        random = np.random.default_rng((entry.seed, time))
        room = option.hyperframe_octets - (entry.span + 9) // 10
        x, w, y = octet_address(option, int(random.integers(0, max(room, 1))))
        seed = int(random.integers(1, 65536))
        values = {"x": x, "w": w, "y": y, "count": entry.count, "span": entry.span, "seed": seed}
        kind = CATALOGUE["line.burst"]
        return [Fault(kind, None, parse_values(kind, values))]

    return burst


def read_fault_plan(path: str | Path) -> Plan:
    """A plan from a file; InputError names the file, the key and the line."""
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text", where=error.start) from None
    return read_plan_text(text, str(path))


def read_plan_text(text: str, name: str = "plan") -> Plan:
    """A plan from its text; `name` stands for it in errors."""
    try:
        raw = tomllib.loads(text)
    except ValueError as error:  # also a number of more digits than Python reads
        raise InputError(f"{name}: not TOML: {error}") from None
    except RecursionError:
        raise InputError(f"{name}: not a plan: nested too deeply") from None
    try:
        read = msgspec.convert(raw, _File)
    except msgspec.ValidationError as error:
        raise InputError(_told(name, text, str(error))) from None
    plan = Plan(name, text, read)
    _check(plan, read.fault, "fault", lambda entry: "set" if entry.kind in CATALOGUE else "kind", _single)
    _check(plan, read.together, "together", lambda entry: "faults", _together)
    return plan


def _check(
    plan: Plan,
    entries: list[_T],
    table: str,
    key: Callable[[_T], str],
    work: Callable[[_T, int], object],
) -> None:
    """Work each entry out once, so that a wrong name or value is told before anything is made."""
    for number, entry in enumerate(entries):
        try:
            work(entry, 0)
        except InputError as error:
            raise plan._error(table, number, key(entry), str(error)) from None


_PATH = re.compile(r"^(?P<text>.*?)(?: - at `(?P<path>[^`]*)`)?$", re.DOTALL)
_STEP = re.compile(r"\.(\w+)|\[(\d+|\.\.\.)\]")
_UNKNOWN = re.compile(r"unknown field `(\w+)`")


def _told(name: str, text: str, error: str) -> str:
    """msgspec's words with the line: its path is `$.table[number].key`."""
    found = _PATH.match(error)
    assert found is not None
    steps = _STEP.findall(found["path"] or "")
    keys = [key for key, _ in steps if key]
    numbers = [int(number) for _, number in steps if number.isdecimal()]
    unknown = _UNKNOWN.search(error)
    if unknown:
        keys.append(unknown[1])
    missing = re.search(r"missing required field `(\w+)`", error)
    table, number = keys[0] if keys else "", numbers[0] if numbers else 0
    key = keys[1] if len(keys) > 1 else ""
    line = _line_of(text, table, number, key)
    where = ".".join(keys) or (missing[1] if missing else "")
    return f"{name}, line {line}: {where}: {found['text']}"


def _line_of(text: str, table: str, number: int, key: str) -> int:
    """Line of a key in the number-th [[table]], of the table's head where the key is not there, else 1."""
    return nearest_line(key_lines_of(text), (table, number, key)) or 1
