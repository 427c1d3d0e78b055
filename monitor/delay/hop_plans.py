"""Plans of a chain or tree of radio heads, read from TOML; mistakes are one line that names key and line."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
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
from ..toml_plans.plan_table import PlanTable, nearest_name, parse_plan_text, read_plan_octets

__all__ = ["HEAD_KEYS", "HopPlan", "head_option", "parse_plan", "plan_budget", "radio_head", "read_hop_plan"]

_MAX_HEADS = 200
_MAX_NUMBER = 1e9
_MAX_OPTION = 40
_PLAN_KEYS = ("name", "controller", "option", "budget", "budget_ns", "buffer_step_ns")
HEAD_KEYS = tuple(
    field.name for field in dataclasses.fields(RadioHead) if field.name not in ("name", "after", "option")
)
"""What a plan may say of a head and of the link to it, beside its name, its place and its option."""
_KINDS: Mapping[str, type[StrEnum]] = {"medium": Medium, "known_by": CableKnownBy}
_WHOLE = ("through_basic_frames", "up_through_basic_frames", "wavelength_nm")
_RANGES = {"group_index": (1.0, 5.0), "velocity_factor": (0.01, 1.0), "resolution_ui": (0.0, 66.0)}


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


def read_hop_plan(name: str) -> HopPlan:
    """The plan in a file; InputError names the file, and the line where there is one."""
    text = read_plan_octets(name)
    try:
        return parse_plan(text)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def parse_plan(text: str) -> HopPlan:
    """A plan from TOML: a [plan] table and a [[head]] table for each head. InputError says what is wrong."""
    top = parse_plan_text(text)
    top.only("plan", "head")
    plan, tables = top.table("plan"), top.tables("head", _MAX_HEADS)
    if not tables:
        raise InputError("the plan has no [[head]]")
    plan.only(*_PLAN_KEYS)
    controller = plan.text("controller", "REC-A")
    heads: list[RadioHead] = []
    for table in tables:
        table.only("name", "after", "option", *HEAD_KEYS)
        name = table.text("name")
        head = radio_head(table, name, table.text("after", controller), head_option(table, name, plan))
        if head.name == controller or head.name in {h.name for h in heads}:
            raise table.mistake("name", f"name {head.name!r} is there twice")
        heads.append(head)
    _check_links(heads, controller, tables)
    step = plan.number("buffer_step_ns", 0.0)
    return HopPlan(plan.text("name", "Saltmarsh"), controller, tuple(heads), plan_budget(plan), step)


def head_option(table: PlanTable, name: str, plan: PlanTable) -> str:
    """The option of the link to the head `name`: its own or the plan's, as text or as a whole number."""
    place = table if "option" in table else plan
    value = place.values.get("option")
    if value is None:
        raise table.mistake("option", f"option (the line rate) of {name} is missing, and the plan has none")
    if type(value) is int and abs(value) <= _MAX_NUMBER:
        value = str(value)
    if not isinstance(value, str) or not value or not value.isprintable() or len(value) > _MAX_OPTION:
        raise place.mistake("option", "option is not a name of 1 to 40 printable characters")
    try:
        return option_named(value).name
    except SettingsError as error:
        raise place.mistake("option", f"option: {error}") from None


def radio_head(table: PlanTable, name: str, after: str, option: str) -> RadioHead:
    """A head with the link to it, from the keys `HEAD_KEYS` of a table; InputError with the place of a mistake."""
    if "length_m" not in table:
        raise table.mistake("length_m", f"length_m of {name} is missing")
    values: dict[str, Any] = {}
    for key in table.names():
        if key in _KINDS:
            kind = _KINDS[key]
            values[key] = kind(table.choice(key, [each.value for each in kind]))
        elif key in _WHOLE:
            values[key] = table.whole(key)
        elif key in HEAD_KEYS:
            low, high = _RANGES.get(key, (0.0, _MAX_NUMBER))
            values[key] = table.number(key, low=low, high=high)
    if values.get("wavelength_nm", 1310) not in GROUP_INDEX:
        known = " and ".join(map(str, GROUP_INDEX))
        raise table.mistake("wavelength_nm", f"wavelength_nm: {known} are known; give group_index instead")
    return RadioHead(name, after, option, **values)


def _check_links(heads: Sequence[RadioHead], controller: str, tables: Sequence[PlanTable]) -> None:
    before = {head.name: head.after for head in heads}
    for head, table in zip(heads, tables, strict=True):
        if head.after != controller and head.after not in before:
            near = nearest_name(head.after, (controller, *before))
            raise table.mistake("after", f"after: there is no board {head.after!r}{near}")
        path = [head.name]
        while path[-1] in before:
            following = before[path[-1]]
            if following in path:
                loop = " after ".join([*path, following])
                raise table.mistake("after", f"after: the links make a loop, {loop}")
            path.append(following)


def plan_budget(plan: PlanTable) -> Budget:
    """The budget that a plan states or names; that of LTE MIMO where it does neither."""
    if "budget_ns" in plan:
        return Budget(plan.number("budget_ns"), "stated in the plan")
    name = plan.text("budget", "lte-mimo")
    if name not in BUDGETS:
        raise plan.mistake("budget", f"budget {name!r} is none of {', '.join(BUDGETS)}; or give budget_ns")
    return BUDGETS[name]
