"""What the reference receiver must be told, and what it has to say of a stream."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from decoders.counters import COUNTERS

__all__ = ["ReferenceLosRule", "ReferenceResult", "ReferenceSettings"]


class ReferenceLosRule(StrEnum):
    """What raises LOS at 64B/66B; which one is right is an open reading of the standard."""

    HEADER_COUNT = "header_count"
    BLOCK_LOCK = "block_lock"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class ReferenceSettings:
    """What the receiver must be told; `option` is a line rate option.

    `fec` None finds out whether line bits have RS-FEC, `fec_header_xor` None finds its header rule. `sh_valid` good
    headers in a row give block lock, `sh_invalid` bad ones of as many lose it.
    """

    option: str
    hdlc_lsb_first: bool = True
    ethernet_lsb_first: bool = True
    max_hdlc: int = 2048
    los_threshold: int = 16
    filter_cm: int = 4
    filter_version: int = 5
    reset_min_hf: int = 10
    los66_rule: ReferenceLosRule = ReferenceLosRule.HEADER_COUNT
    sh_valid: int = 64
    sh_invalid: int = 16
    fec: bool | None = None
    fec_header_xor: bool | None = None
    fec_lock_good: int = 2
    fec_lose_bad: int = 3


@dataclass(slots=True)
class ReferenceResult:
    """What a stream contained.

    `frames` are in order of hyperframe (HDLC before Ethernet in one), `vendor` in order of transmission.
    `acquired_at_hyperframe`, `first` and `last` are None if sync never came; `trailing_octets` are those
    after the last decoded hyperframe. `alignment_offset_bits` and `fec` are None where the form does not say;
    `scrambling` and `sync_word` are those of the contract's `link`.
    """

    counters: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTERS, 0))
    frames: list[dict[str, Any]] = field(default_factory=list)
    vendor: list[dict[str, int]] = field(default_factory=list)
    hyperframes: int = 0
    first: dict[str, int] | None = None
    last: dict[str, int] | None = None
    sync_state: str = "XACQ1"
    acquired_at_hyperframe: int | None = None
    acquired: list[tuple[int, int]] = field(default_factory=list)
    """Each start of sync: number of its first hyperframe, and hyperframes of the line that went by before."""
    trailing_octets: int = 0
    alignment_offset_bits: int | None = None
    fec: bool | None = None
    fec_header_xor: bool | None = None
    fec_codeword_phase_bits: int | None = None
    scrambling: dict[str, int] | None = None
    sync_word: dict[str, str] | None = None
    l1: dict[str, int | bool | None] = field(
        default_factory=lambda: {
            "protocol_version": None,
            "hdlc_rate_code": None,
            "pointer_p": None,
            "reset": False,
            "rai": False,
            "sdi": False,
            "los": False,
            "lof": False,
        }
    )

    def moved_hyperframe(self, number: int) -> int:
        """Number of a hyperframe with those counted in that went by while sync was lost."""
        missed = [gone for first, gone in self.acquired if first <= number]
        return number + (missed[-1] if missed else 0)
