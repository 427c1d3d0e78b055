"""Which line bit rate option the spacing of sync words stands for.

Positions vote in pairs one hyperframe apart, so damage and slips do not hide the spacing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from decoders.arrays import I64, U8
from decoders.linerates import HYPERFRAMES_PER_FRAME, OPTIONS, LineRateOption

from .forms import Form

__all__ = [
    "SyncFinding",
    "Votes",
    "elected_option",
    "option_of_spacing",
    "paired_positions",
    "with_running_hfn",
]

CLEAR_SPACINGS = 3
"""So many hyperframe spacings make a finding that outweighs what the user said."""

Votes = dict[str, tuple[int, float, int]]
"""Of each option: pairs seen, pairs expected by chance, pairs in a whole stream."""


@dataclass(frozen=True, slots=True)
class SyncFinding:
    """Sync seen in a form: the option, how often its spacing was seen, and octets to skip to whole items."""

    form: Form
    option: str
    spacings: int
    skip: int = 0

    @property
    def clear(self) -> bool:
        return self.spacings >= CLEAR_SPACINGS


def paired_positions(positions: I64, spacing: int) -> I64:
    """Those positions that have another one exactly `spacing` later; `positions` ascend."""
    if len(positions) < 2:
        return positions[:0]
    later = np.searchsorted(positions, positions + spacing)
    later[later == len(positions)] = 0
    paired: I64 = positions[positions[later] == positions + spacing]
    return paired


def option_of_spacing(
    positions: I64,
    length: int,
    unit: int,
    form: Form,
    *,
    line_code: str,
    prefer: str | None,
    skip: int = 0,
    keep: Callable[[LineRateOption, I64], I64] | None = None,
) -> SyncFinding | None:
    """The option of `line_code` whose hyperframe (of `unit` places an octet) is the spacing of `positions`, or None.

    `length` is that of the stream, in places; `keep` sorts out pairs that more than their spacing speaks against.
    """
    seen: Votes = {}
    for option in OPTIONS.values():
        spacing = option.hyperframe_octets * unit
        if option.line_code == line_code and spacing < length:
            pairs = paired_positions(positions, spacing)
            chance = len(positions) ** 2 / length
            if keep is not None:
                pairs = keep(option, pairs)
            seen[option.name] = (len(pairs), chance, length // spacing - 1)
    return elected_option(seen, form, prefer, skip)


def with_running_hfn(data: U8, starts: I64, hyperframe_octets: int) -> I64:
    """Those hyperframe starts in `data` (uint8, shape (n,)) from which on Z.64.0 counts on by one."""
    at = starts + hyperframe_octets // 4  # Z.64.0 is a quarter of a hyperframe on
    inside = (at >= 0) & (at + hyperframe_octets < len(data))
    starts, at = starts[inside], at[inside]
    number = data[at].astype(np.int64)
    following = data[at + hyperframe_octets]
    running: I64 = starts[
        (number < HYPERFRAMES_PER_FRAME) & ((number + 1) % HYPERFRAMES_PER_FRAME == following)
    ]
    return running


def elected_option(seen: Votes, form: Form, prefer: str | None, skip: int = 0) -> SyncFinding | None:
    """The option that the votes are for, or None.

    There is one sync word a hyperframe: far fewer pairs than fit are chance, far more are a periodic payload.
    Of the rest the smallest spacing with at least half the votes of the best wins, since twice a spacing is
    seen as well. `prefer` wins where it explains the data clearly better.
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
