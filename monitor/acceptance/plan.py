"""The plan of an acceptance run in TOML.

    name = "Saltmarsh"
    source = "emulated:pair"      # or a board's device or URL, or emulated, or emulated:chain
    option = "2"
    rates = ["2", "4", "5"]       # options that the stage `rates` goes through
    leave_out = ["soak"]

    [settings.ber]                # for every stage of this kind
    bound = 1e-10

    [[stage]]                     # in this order, as often as wanted; without any, every kind once
    kind = "quiet"
    hyperframes = 150000
    required = false

A mistake is one line with file, line and key. What a plan says is text of others and shown through `text.inert`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from decoders.linerates import OPTIONS

from ..errors import InputError
from ..sources.names import SourceKind, source_kind
from ..toml_plans.plan_table import PlanTable, nearest_name, parse_plan_text, read_plan_octets
from .stage_settings import STAGE_SETTINGS, StageSettings

__all__ = [
    "AcceptancePlan",
    "BoardTraffic",
    "EmulatedBehaviour",
    "PlannedStage",
    "parse_acceptance_plan",
    "read_acceptance_plan",
]

_Record = TypeVar("_Record")
MOST_STAGES = 200
_TOP_KEYS = (
    "name", "source", "option", "pointer_p", "hdlc_rate_code", "seed", "rates", "leave_out", "baud", "wait_s",
    "hyperframes_per_second", "equipment", "emulated", "board", "settings", "stage",
)  # fmt: skip
_COMPENSATIONS = ("correct", "missing", "wrong-sign", "off-by-one", "off-by-one-low")


@dataclass(frozen=True, slots=True)
class PlannedStage:
    """One stage; `number` counts from 1 in the order of the run."""

    number: int
    kind: str
    settings: StageSettings
    required: bool = True
    name: str = ""

    @property
    def title(self) -> str:
        return f"{self.number} {self.name or self.kind}"


@dataclass(frozen=True, slots=True)
class EmulatedBehaviour:
    """How the emulated site behaves, right by default; the rest shows what a stage makes of a defect.

    `length_m` of fibre each way, `ber` of the line. `compensation`, `drift_clocks` and `step_clocks` as the command
    `delay` has them. `drop_frame_every`: this C&M frame of so many is never sent. `swapped_pair`: the receiver gets
    the complement of each bit. `answers_rai` false: the remote end never returns RAI. `faults` are injected in each
    watch. `receiver` is MODULE:CLASS of the receiver in the campaign.
    """

    length_m: float = 150.0
    ber: float = 0.0
    compensation: str = "correct"
    drift_clocks: float = 0.0
    step_clocks: int = 0
    drop_frame_every: int = 0
    swapped_pair: bool = False
    answers_rai: bool = True
    iq_gain_db: float = 0.0
    faults: tuple[str, ...] = ()
    receiver: str = ""


@dataclass(frozen=True, slots=True)
class BoardTraffic:
    """What is known of what a board sends: without it nothing can be compared with it.

    `iq_map` as in `export --iq-map`; `tone_hz` and `level_dbfs` of each AxC in turn; `pn_order` of a PN sequence
    that fills the IQ data blocks (0: none). `sequence_offset` and `sequence_octets` are where each Ethernet frame
    has its running number, most significant octet first (0 octets: it has none).
    """

    iq_map: str = ""
    tone_hz: tuple[float, ...] = ()
    level_dbfs: float = 0.0
    pn_order: int = 0
    sequence_offset: int = 0
    sequence_octets: int = 0


@dataclass(frozen=True, slots=True)
class AcceptancePlan:
    """A plan as read; `text` is what was read, kept as it is."""

    name: str
    source: str
    option: str | None
    stages: tuple[PlannedStage, ...]
    rates: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    pointer_p: int = 40
    hdlc_rate_code: int | None = None
    seed: int = 1
    baud: int | None = None
    wait_s: float = 300.0
    hyperframes_per_second: float = 0.0
    equipment: Mapping[str, str] = field(default_factory=dict)
    emulated: EmulatedBehaviour = field(default_factory=EmulatedBehaviour)
    board: BoardTraffic = field(default_factory=BoardTraffic)
    text: str = ""

    @property
    def own_option(self) -> str:
        """The option of emulated links, and of boards as far as the plan knows."""
        return self.option or "2"


def read_acceptance_plan(name: str) -> AcceptancePlan:
    """The plan in a file; InputError names the file, the line and the key."""
    text = read_plan_octets(name)
    try:
        return parse_acceptance_plan(text)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def parse_acceptance_plan(text: str) -> AcceptancePlan:
    """A plan from its text; InputError names the line and the key."""
    top = parse_plan_text(text)
    top.only(*_TOP_KEYS)
    source = top.text("source", most=1000)
    if source_kind(source) is SourceKind.CAPTURE:
        raise top.mistake(
            "source", f"source {source!r} is neither emulated nor a board; a capture cannot be accepted"
        )
    option = _option(top)
    left_out = top.texts("leave_out", len(STAGE_SETTINGS), ())
    for kind in left_out:
        _known_kind(top, "leave_out", kind)
    own = option or "2"
    code = top.whole("hdlc_rate_code", high=7) if "hdlc_rate_code" in top else None
    rates = top.texts("rates", len(OPTIONS), (own,))
    for rate in rates:
        if rate not in OPTIONS:
            raise top.mistake("rates", f"rates: there is no option {rate!r}; {', '.join(OPTIONS)}")
    return AcceptancePlan(
        name=top.text("name", "acceptance"),
        source=source,
        option=option,
        stages=_stages(top, left_out),
        rates=rates,
        left_out=left_out,
        pointer_p=top.whole("pointer_p", 40, high=63),
        hdlc_rate_code=code,
        seed=top.whole("seed", 1, high=10**6),
        baud=top.whole("baud", low=1, high=100_000_000) if "baud" in top else None,
        wait_s=top.number("wait_s", 300.0, high=1e6),
        hyperframes_per_second=top.number("hyperframes_per_second", 0.0, high=1e6),
        equipment=_equipment(top.table("equipment")),
        emulated=_record(top.table("emulated"), EmulatedBehaviour, _EMULATED_RANGES),
        board=_record(top.table("board"), BoardTraffic, _BOARD_RANGES),
        text=text,
    )


_EMULATED_RANGES: Mapping[str, Mapping[str, Any]] = {
    "length_m": {"low": 0, "high": 1e5},
    "ber": {"low": 0, "high": 1e-3},
    "compensation": {"choices": _COMPENSATIONS},
    "drift_clocks": {"low": -10_000, "high": 10_000},
    "step_clocks": {"low": -20, "high": 10_000},
    "iq_gain_db": {"low": -60, "high": 6},
}
_BOARD_RANGES: Mapping[str, Mapping[str, Any]] = {
    "tone_hz": {"low": -1e9, "high": 1e9},
    "level_dbfs": {"low": -200, "high": 0},
    "pn_order": {"low": 0, "high": 31},
    "sequence_offset": {"low": 0, "high": 2000},
    "sequence_octets": {"low": 0, "high": 8},
}


def _option(top: PlanTable) -> str | None:
    if "option" not in top:
        return None
    value = top.values["option"]
    text = str(value) if type(value) is int and 0 < value < 100 else value
    if not isinstance(text, str) or text not in OPTIONS:
        raise top.mistake("option", f"option is none of {', '.join(OPTIONS)}")
    return text


def _known_kind(table: PlanTable, key: str, kind: str) -> None:
    if kind not in STAGE_SETTINGS:
        near = nearest_name(kind, tuple(STAGE_SETTINGS))
        raise table.mistake(key, f"{key}: there is no kind of stage {kind!r}{near}")


def _equipment(table: PlanTable) -> Mapping[str, str]:
    """What the report says of the equipment: any keys, each with a text."""
    if len(table.values) > 40:
        raise table.mistake(next(iter(table.values)), f"{len(table.values)} lines of equipment; 40 at most")
    return {key: table.text(key, most=200) for key in table.names()}


def _stages(top: PlanTable, left_out: Sequence[str]) -> tuple[PlannedStage, ...]:
    common = top.table("settings")
    common.only(*STAGE_SETTINGS)
    usual = {kind: common.table(kind) for kind in STAGE_SETTINGS}
    for kind, table in usual.items():
        table.only(*(f.name for f in dataclasses.fields(STAGE_SETTINGS[kind])), "required")
    tables = top.tables("stage", MOST_STAGES)
    stages: list[PlannedStage] = []
    if not tables:
        for kind in STAGE_SETTINGS:
            if kind not in left_out:
                required = usual[kind].switch("required", True)
                stages.append(PlannedStage(len(stages) + 1, kind, _settings(kind, usual[kind]), required))
    for table in tables:
        kind = table.choice("kind", tuple(STAGE_SETTINGS))
        if kind in left_out:
            continue
        names = tuple(f.name for f in dataclasses.fields(STAGE_SETTINGS[kind]))
        table.only("kind", "name", "required", *names)
        settings = _settings(kind, table, _settings(kind, usual[kind]))
        required = table.switch("required", usual[kind].switch("required", True))
        stages.append(PlannedStage(len(stages) + 1, kind, settings, required, table.text("name", kind)))
    if not stages:
        raise top.mistake("leave_out", "leave_out: no stage is left")
    return tuple(stages)


def _settings(kind: str, table: PlanTable, usual: StageSettings | None = None) -> StageSettings:
    """The settings of a kind, with what a table says in place of the usual ones."""
    base = STAGE_SETTINGS[kind]() if usual is None else usual
    given = {
        f.name: _value(table, f.name, getattr(base, f.name), f.metadata)
        for f in dataclasses.fields(base)
        if f.name in table
    }
    return dataclasses.replace(base, **given)


def _record(table: PlanTable, kind: type[_Record], ranges: Mapping[str, Mapping[str, Any]]) -> _Record:
    """A dataclass from a table with the same keys."""
    base = kind()
    known = {f.name: getattr(base, f.name) for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    table.only(*known)
    values = {
        key: _value(table, key, usual, ranges.get(key, {})) for key, usual in known.items() if key in table
    }
    return kind(**values)


def _value(table: PlanTable, key: str, usual: Any, limits: Mapping[str, Any]) -> Any:
    """The value of a key, of the type of the usual one and within its limits."""
    choices = limits.get("choices", ())
    low, high = limits.get("low", 0.0), limits.get("high", 1e9)
    if isinstance(usual, bool):
        return table.switch(key)
    if isinstance(usual, str):
        return table.choice(key, choices) if choices else table.text(key, most=200)
    if isinstance(usual, tuple):
        return _list(table, key, limits)
    number = table.number(key, low=low, high=high)
    if isinstance(usual, int) and not isinstance(number, int):
        raise table.mistake(key, f"{key} = {number:g} is not a whole number")
    return float(number) if isinstance(usual, float) else number


def _list(table: PlanTable, key: str, limits: Mapping[str, Any]) -> tuple[Any, ...]:
    """Texts, or numbers where the limits are those of numbers."""
    if "low" in limits and key == "tone_hz":
        return _numbers(table, key, limits["low"], limits["high"])
    texts = table.texts(key, 200)
    choices = limits.get("choices", ())
    for text in texts:
        if choices and text not in choices:
            near = nearest_name(text, choices)
            raise table.mistake(key, f"{key}: {text!r} is none of {', '.join(choices)}{near}")
    return texts


def _numbers(table: PlanTable, key: str, low: float, high: float) -> tuple[float, ...]:
    value = table.values[key]
    if not isinstance(value, list) or len(value) > 64:
        raise table.mistake(key, f"{key} is not a list of up to 64 numbers")
    alone = (PlanTable({key: each}, table.path, table.lines) for each in value)
    return tuple(each.number(key, low=low, high=high) for each in alone)
