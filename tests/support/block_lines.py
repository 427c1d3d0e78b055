"""Streams of 64B/66B for these tests: hyperframes' worth of octets with the sync word, their blocks and bits."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from decoders.line_coding.block_readers import AlignedReader, FlaggedBlockReader
from decoders.line_coding.code_64b66b import START, TERMINATE, BlockEncoder
from decoders.line_coding.line_octets import LineOctets, Place, joined

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]
Lists = tuple[list[int], list[int], dict[str, list[int]], list[int]]


def traffic(blocks: int, seed: int = 0, sync_every: int = 100) -> tuple[U8, I64]:
    """Random octets of `blocks` blocks, /T/ /S/ in the first two of every `sync_every`; (octets, K positions)."""
    octets = np.random.default_rng(seed).integers(0, 256, 8 * blocks, np.uint8)
    k: list[int] = []
    for start in range(0, 8 * blocks - 15, 8 * sync_every):
        octets[start : start + 16] = 0x50
        octets[start + 7], octets[start + 8] = TERMINATE, START
        k += [start + 7, start + 8]
    return octets, np.array(k, np.int64)


def coded(blocks: int, seed: int = 0, sync_every: int = 100) -> tuple[U8, I64, U8, U64]:
    """(octets, K positions, headers, scrambled payload words)."""
    octets, k = traffic(blocks, seed, sync_every)
    return octets, k, *BlockEncoder().encode(octets, k)


def as_lists(out: LineOctets) -> Lists:
    places = {place.value: out.at(place).tolist() for place in Place if len(out.at(place))}
    return out.octets.tolist(), out.k_positions.tolist(), places, out.unread.tolist()


def read_all(reader: AlignedReader | FlaggedBlockReader, raw: U8, cuts: Iterable[int] = ()) -> LineOctets:
    """Feed `raw` in pieces from a memory that is used again, and join what was read."""
    pieces: list[LineOctets] = []
    edges: Sequence[int] = sorted({0, len(raw), *(cut for cut in cuts if 0 < cut < len(raw))})
    for start, end in itertools.pairwise(edges):
        memory = raw[start:end].copy()
        reader.feed(memory, 0)
        pieces.append(reader.read())
        pieces[-1] = joined([LineOctets(np.zeros(0, np.uint8)), pieces[-1]])
        reader.own(0)
        memory[:] = 0xA5
    return joined(pieces)
