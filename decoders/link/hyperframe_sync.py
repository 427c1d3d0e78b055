"""Hyperframe sync machine: states, the transition table, and when sync is confirmed.

CPRI clause 4.2.9 and Fig. 26 (8B/10B). The states and conditions are the standard's; the arcs that fall back
by one state are one reading of it (medium confidence), `FallBack.TO_START` is the other.
This file knows good and bad sync bytes; it does not know octets.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

__all__ = ["CONFIRMING_SYNC_BYTES", "FallBack", "SyncMachine", "SyncState"]

CONFIRMING_SYNC_BYTES = 4
"""Sync bytes in their places that lead from XACQ1 to HFNSYNC."""


class SyncState(StrEnum):
    """States of Fig. 26; LOF is 1 in the two XACQ states."""

    XACQ1 = "XACQ1"
    XACQ2 = "XACQ2"
    XSYNC1 = "XSYNC1"
    XSYNC2 = "XSYNC2"
    HFNSYNC = "HFNSYNC"

    @property
    def lof(self) -> bool:
        return self in (SyncState.XACQ1, SyncState.XACQ2)


class FallBack(StrEnum):
    """What a bad sync byte does in XSYNC1, XSYNC2 and HFNSYNC."""

    ONE = "one"
    TO_START = "to_start"


_S = SyncState
_GOOD = {
    _S.XACQ1: _S.XACQ2,
    _S.XACQ2: _S.XSYNC1,
    _S.XSYNC1: _S.XSYNC2,
    _S.XSYNC2: _S.HFNSYNC,
    _S.HFNSYNC: _S.HFNSYNC,
}
_BAD = {
    FallBack.ONE: {
        _S.XACQ1: _S.XACQ1,
        _S.XACQ2: _S.XACQ1,
        _S.XSYNC1: _S.XACQ1,
        _S.XSYNC2: _S.XSYNC1,
        _S.HFNSYNC: _S.XSYNC2,
    },
    FallBack.TO_START: dict.fromkeys(_S, _S.XACQ1),
}
TRANSITIONS: Mapping[FallBack, Mapping[tuple[SyncState, bool], SyncState]] = MappingProxyType(
    {
        rule: MappingProxyType({(s, True): _GOOD[s] for s in _S} | {(s, False): _BAD[rule][s] for s in _S})
        for rule in FallBack
    }
)
"""[fall back rule][state, sync byte good] -> next state: every pair is there."""


class SyncMachine:
    """One receiver's sync state, stepped once a hyperframe.

    `confirming`: sync bytes in their places that are looked for before the first of them is taken.
    """

    confirming = CONFIRMING_SYNC_BYTES

    def __init__(self, fall_back: FallBack = FallBack.ONE) -> None:
        self.state = SyncState.XACQ1
        self._table = TRANSITIONS[fall_back]

    def step(self, good: bool) -> SyncState:
        """Judge the octet where the sync byte belongs; the state after it."""
        self.state = self._table[self.state, good]
        return self.state

    def lose(self) -> None:
        """LOS in any state (highest priority)."""
        self.state = SyncState.XACQ1
