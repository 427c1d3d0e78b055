"""Plans of a chain or tree of radio heads, read from TOML; mistakes are one line that names key and line."""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from decoders.errors import SettingsError
from decoders.linerates import option_named
from decoders.link_delay.delay import GROUP_INDEX
from decoders.link_delay.hops import (
    BUDGETS,
    Budget,
    CableKnownBy,
    ChainDelays,
    Medium,
    RadioHead,
    chain_delays,
)

from ..errors import InputError

__all__ = ["HopPlan", "parse_plan", "read_hop_plan"]

_MAX_HEADS = 200
_MAX_NUMBER = 1e9
_MAX_OCTETS = 1 << 20
_PLAN_KEYS = ("name", "controller", "option", "budget", "budget_ns", "buffer_step_ns")
_HEAD_KEYS = tuple(field.name for field in dataclasses.fields(RadioHead))
_TEXT = ("name", "after", "option", "medium", "known_by")
_WHOLE = ("through_basic_frames", "up_through_basic_frames", "wavelength_nm")
_HEADER = re.compile(r"\s*\[(\[?)\s*([\w-]+)\s*\]")
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")


@dataclass(frozen=True, slots=True)
class HopPlan:
    """A plan as read."""

    name: str
    controller: str
    heads: tuple[RadioHead, ...]
    budget: Budget
    buffer_step_ns: float = 0.0

    def delays(self) -> ChainDelays:
        return chain_delays(self.controller, self.heads, self.budget, self.buffer_step_ns)

    def replaced(self, name: str, length_m: float) -> HopPlan:
        """The plan with another length of the link to `name`."""
        if name not in {head.name for head in self.heads}:
            raise InputError(f"the plan has no head {name!r} whose cable could be replaced")
        heads = tuple(dataclasses.replace(h, length_m=length_m) if h.name == name else h for h in self.heads)
        return dataclasses.replace(self, heads=heads)


class _Lines:
    """Where the keys stand: tomllib does not tell."""

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str, int, str], int] = {}
        table, index = "", 0
        seen: dict[str, int] = {}
        for number, line in enumerate(text.splitlines(), 1):
            header = _HEADER.match(line)
            key = _KEY.match(line)
            if header:
                table = header[2]
                index = seen.get(table, 0)
                seen[table] = index + 1
                self._at.setdefault((table, index, ""), number)
            elif key:
                self._at.setdefault((table, index, key[1]), number)

    def of(self, table: str, index: int, key: str) -> str:
        number = self._at.get((table, index, key)) or self._at.get((table, index, ""))
        return "" if number is None else f"line {number}: "


def read_hop_plan(name: str) -> HopPlan:
    """The plan in a file; InputError names the file, and the line where there is one."""
    try:
        with Path(name).open("rb") as file:
            octets = file.read(_MAX_OCTETS + 1)
        text = octets.decode("utf-8")
    except OSError as error:
        raise InputError(f"{name}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(f"{name}: not a text in UTF-8") from None
    if len(octets) > _MAX_OCTETS:
        raise InputError(f"{name}: longer than a plan can be ({_MAX_OCTETS} octets)")
    try:
        return parse_plan(text)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def parse_plan(text: str) -> HopPlan:
    """A plan from TOML: a [plan] table and a [[head]] table for each head. InputError says what is wrong."""
    try:
        document = tomllib.loads(text)
    except ValueError as error:  # also a number of more digits than Python reads
        raise InputError(f"not TOML: {error}") from None
    except RecursionError:
        raise InputError("not a plan: nested too deeply") from None
    lines = _Lines(text)
    for key in document:
        if key not in ("plan", "head"):
            raise InputError(f"{_anywhere(lines, key)}unknown key {key!r}{_near(key, ('plan', 'head'))}")
    plan, tables = document.get("plan", {}), document.get("head", [])
    if (
        not isinstance(plan, dict)
        or not isinstance(tables, list)
        or not all(isinstance(t, dict) for t in tables)
    ):
        raise InputError("a plan has a [plan] table and a [[head]] table for each radio head")
    if not tables:
        raise InputError("the plan has no [[head]]")
    if len(tables) > _MAX_HEADS:
        raise InputError(f"the plan has {len(tables)} heads; {_MAX_HEADS} at most")
    for key in plan:
        if key not in _PLAN_KEYS:
            raise InputError(f"{lines.of('plan', 0, key)}unknown key {key!r}{_near(key, _PLAN_KEYS)}")
    controller = _text(plan, "controller", "REC-A", lines.of("plan", 0, "controller"))
    heads: list[RadioHead] = []
    for index, table in enumerate(tables):
        head = _head(table, index, plan, controller, lines)
        if head.name == controller or head.name in {h.name for h in heads}:
            raise InputError(f"{lines.of('head', index, 'name')}name {head.name!r} is there twice")
        heads.append(head)
    _check_links(heads, controller, lines)
    step = _number(plan, "buffer_step_ns", 0.0, lines.of("plan", 0, "buffer_step_ns"))
    name = _text(plan, "name", "Saltmarsh", lines.of("plan", 0, "name"))
    return HopPlan(name, controller, tuple(heads), _budget(plan, lines), step)


def _anywhere(lines: _Lines, key: str) -> str:
    return lines.of("", 0, key) or lines.of(key, 0, "")


def _near(key: str, names: Sequence[str]) -> str:
    found = difflib.get_close_matches(key, names, 1)
    return f"; did you mean {found[0]!r}?" if found else ""


def _text(table: Mapping[str, Any], key: str, default: str | None, where: str) -> str:
    value = table.get(key, default)
    if value is None:
        raise InputError(f"{where}{key} is missing")
    if key == "option" and type(value) is int and abs(value) <= _MAX_NUMBER:
        value = str(value)
    if not isinstance(value, str) or not value or not value.isprintable() or len(value) > 40:
        raise InputError(f"{where}{key} is not a name of 1 to 40 printable characters")
    return value


def _number(table: Mapping[str, Any], key: str, default: float, where: str) -> float:
    value = table.get(key, default)
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not number or (isinstance(value, float) and math.isnan(value)):
        raise InputError(f"{where}{key} is not a number")
    # A whole number of TOML may be longer than a float can be, so the range comes before any formatting.
    if value > _MAX_NUMBER:
        raise InputError(f"{where}{key} is too large, above {_MAX_NUMBER:g}")
    if value < 0:
        raise InputError(f"{where}{key} is negative")
    return value if isinstance(value, int) else float(value)


def _head(
    table: Mapping[str, Any], index: int, plan: Mapping[str, Any], controller: str, lines: _Lines
) -> RadioHead:
    def where(key: str) -> str:
        return lines.of("head", index, key)

    for key in table:
        if key not in _HEAD_KEYS:
            raise InputError(f"{where(key)}unknown key {key!r}{_near(key, _HEAD_KEYS)}")
    name = _text(table, "name", None, where("name"))
    option = table.get("option", plan.get("option"))
    if option is None:
        raise InputError(f"{where('option')}option (the line rate) of {name} is missing, and [plan] has none")
    if "length_m" not in table:
        raise InputError(f"{where('length_m')}length_m of {name} is missing")
    place = where("option") if "option" in table else lines.of("plan", 0, "option")
    values: dict[str, Any] = {
        "name": name,
        "after": _text(table, "after", controller, where("after")),
        "option": _text({"option": option}, "option", None, place),
    }
    try:
        option_named(values["option"])
    except SettingsError as error:
        raise InputError(f"{place}option: {error}") from None
    for key, kind in (("medium", Medium), ("known_by", CableKnownBy)):
        if key in table:
            try:
                values[key] = kind(table[key])
            except ValueError:
                shown = isinstance(table[key], str) or table[key] in range(1000)
                said = f" {table[key]!r}" if shown else ""
                raise InputError(f"{where(key)}{key}{said} is none of {', '.join(kind)}") from None
    for key in table:
        if key not in _TEXT:
            values[key] = _number(table, key, 0.0, where(key))
            if key in _WHOLE and not isinstance(values[key], int):
                raise InputError(f"{where(key)}{key} = {values[key]:g} is not a whole number")
    for key, low, high in (
        ("group_index", 1.0, 5.0),
        ("velocity_factor", 0.01, 1.0),
        ("resolution_ui", 0.0, 66.0),
    ):
        if key in values and not low <= values[key] <= high:
            raise InputError(f"{where(key)}{key} = {values[key]:g} is outside {low:g} to {high:g}")
    if values.get("wavelength_nm", 1310) not in GROUP_INDEX:
        known = " and ".join(map(str, GROUP_INDEX))
        raise InputError(
            f"{where('wavelength_nm')}wavelength_nm: {known} are known; give group_index instead"
        )
    return RadioHead(**values)


def _check_links(heads: Sequence[RadioHead], controller: str, lines: _Lines) -> None:
    before = {head.name: head.after for head in heads}
    for index, head in enumerate(heads):
        where = lines.of("head", index, "after")
        if head.after != controller and head.after not in before:
            names = (controller, *before)
            raise InputError(f"{where}after: there is no board {head.after!r}{_near(head.after, names)}")
        path = [head.name]
        while path[-1] in before:
            following = before[path[-1]]
            if following in path:
                raise InputError(f"{where}after: the links make a loop, {' after '.join([*path, following])}")
            path.append(following)


def _budget(plan: Mapping[str, Any], lines: _Lines) -> Budget:
    where = lines.of("plan", 0, "budget")
    if "budget_ns" in plan:
        limit = _number(plan, "budget_ns", 0.0, lines.of("plan", 0, "budget_ns"))
        return Budget(limit, "stated in the plan")
    name = _text(plan, "budget", "lte-mimo", where)
    if name not in BUDGETS:
        raise InputError(f"{where}budget {name!r} is none of {', '.join(BUDGETS)}; or give budget_ns")
    return BUDGETS[name]
