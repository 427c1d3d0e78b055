"""Receivers with one rule wrong, for the campaign to catch: realistic mistakes, a declaration each."""

from __future__ import annotations

from .blocks import BLOCK_MUTANTS
from .cm_channels import CHANNELS
from .declaration import Mutant
from .habits import HABITS
from .l1 import L1_AND_STARTUP
from .line_code import LINE_CODE
from .octets import OCTETS
from .sync import SYNC_AND_NUMBERS

__all__ = ["MUTANTS", "Mutant"]

MUTANTS: tuple[Mutant, ...] = (
    *LINE_CODE,
    *SYNC_AND_NUMBERS,
    *L1_AND_STARTUP,
    *CHANNELS,
    *OCTETS,
    *BLOCK_MUTANTS,
    *HABITS,
)
