"""Rules of 64B/66B, RS-FEC and the scrambling of version 2: a part of the table in `rules`."""

from __future__ import annotations

from .cases import Case
from .rule import Rule, all_of, one_each, spread

__all__ = ["SCRAMBLING_RULES"]

_SCRAMBLING = "CPRI V7.0 clause 4.2.7.6, Fig. 40"

SCRAMBLING_RULES = (
    Rule(
        "scrambling",
        "any seed of 31 bits is received, and holds from the hyperframe it stands in",
        _SCRAMBLING,
        (
            *one_each(
                "scrambling.seed",
                "scrambling.seed:seed=1",
                "scrambling.seed:seed=0x7FFFFFFF",
                "scrambling.seed:seed=0x40000000,hyperframes=1",
                "scrambling.seed:hyperframes=3",
            ),
            all_of(
                "scrambling.seed, another one in each of 4 hyperframes",
                spread((f"scrambling.seed:seed={seed},hyperframes=1" for seed in (5, 6, 7, 8)), 1),
            ),
        ),
    ),
    Rule(
        "scrambling",
        "seed 0 leaves the octets plain",
        _SCRAMBLING,
        one_each("scrambling.seed:seed=0", "scrambling.seed:seed=0,hyperframes=4"),
    ),
    Rule(
        "scrambling",
        "known octets that fit no seed count, and the last seed holds",
        _SCRAMBLING,
        (
            *(Case((f"sync.filler:y={y},value=0x51",)) for y in range(2, 8)),
            Case(("sync.filler:y=5,hyperframes=6",)),
            all_of(
                "sync.filler beside a new seed", ["scrambling.seed@24", "sync.filler@26:y=3,hyperframes=3"]
            ),
        ),
    ),
)
