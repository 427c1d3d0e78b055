"""`framefray delay --hops`: the delay budget of a planned chain or tree of radio heads."""

from __future__ import annotations

import argparse
import math

from ..delay.hop_plans import HopPlan, read_hop_plan
from ..errors import InputError
from ..process.streams import print_json, print_lines
from ..reports.hop_text import hop_lines, hop_record

__all__ = ["run_hops"]


def run_hops(arguments: argparse.Namespace, *, ascii_only: bool) -> int:
    plan = read_hop_plan(arguments.hops)
    changed = _replaced(plan, arguments.replace) if arguments.replace else None
    if arguments.json:
        print_json(hop_record(plan, changed))
    else:
        print_lines(hop_lines(plan, changed, ascii_only=ascii_only))
    return 0 if plan.delays().margin_ns >= 0 else 1


def _replaced(plan: HopPlan, wanted: list[str]) -> HopPlan:
    for text in wanted:
        name, _, length = text.rpartition("=")
        try:
            length_m = float(length)
        except ValueError:
            length_m = math.nan
        if not name or not 0 <= length_m <= 1e6:
            raise InputError(f"--replace {text!r} is not HEAD=METRES", hint="write it as RE-2=150")
        plan = plan.replaced(name, length_m)
    return plan
