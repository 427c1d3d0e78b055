"""One check for every decoder: what a stream is decoded to does not depend on the pieces it comes in."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import TypeVar

__all__ = ["any_cut", "pieces"]

T = TypeVar("T")


def pieces(data: bytes, seed: int, most: int) -> Iterator[bytes]:
    """`data` in pieces of 0 to `most` octets; the same seed gives the same pieces."""
    rng, at = random.Random(seed), 0
    while at < len(data):
        size = rng.randint(0, most)
        yield data[at : at + size]
        at += size


def any_cut(read: Callable[[Iterator[bytes]], T], data: bytes, *, most: int = 300, seeds: int = 3) -> T:
    """What `read` makes of the stream in one piece; AssertionError where other pieces give something else.

    `read` gets the pieces, and starts afresh each time. A short stream is cut into single octets, too.
    """
    whole = read(iter([data]))
    cuts = [list(pieces(data, seed, most)) for seed in range(seeds)]
    if len(data) <= 5000:
        cuts.append([data[i : i + 1] for i in range(len(data))])
    for number, cut in enumerate(cuts):
        assert read(iter(cut)) == whole, f"cut {number} of {len(cuts)}: other pieces, another result"
    return whole
