"""Bits of IQ words to sample arrays and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import LayoutError, SettingsError
from .axc_container import AxcContainer, StuffingPosition

__all__ = ["Octets", "Samples"]

Octets = NDArray[np.uint8]
Samples = NDArray[Any]

WINDOW_OCTETS = 8
"""Octets taken at once; 7 bits of slack plus 2 * 20 bits of sample always fit."""
_CHUNK_SAMPLES = 32_768
_CHUNK_BLOCKS = 512
_SWAPS = (
    (1, 0x2222222222222222),
    (2, 0x0C0C0C0C0C0C0C0C),
    (4, 0x00F000F000F000F0),
    (8, 0x0000FF000000FF00),
    (16, 0x00000000FFFF0000),
)
"""Perfect unshuffle: swap the two middle quarters of ever larger fields (shift, mask of the lower one)."""


def sample_target(out: Mapping[str, Samples] | None, member: str, axc: AxcContainer, count: int) -> Samples:
    """The first `count` rows of out[member], or a new array."""
    if out is None:
        return np.empty((count, 2), axc.dtype)
    array = out.get(member)
    if array is None:
        raise LayoutError(f"out has no array for {member}")
    if (
        array.dtype != axc.dtype
        or array.shape[1:] != (2,)
        or len(array) < count
        or not array.flags.c_contiguous
    ):
        raise LayoutError(
            f"out[{member!r}] is {array.dtype} {array.shape}; {axc.dtype} ({count}, 2), contiguous, is needed"
        )
    return array[:count]


def check_samples(axc: AxcContainer, member: str, array: Samples) -> None:
    if array.ndim != 2 or array.shape[1] != 2 or array.dtype.kind not in "iu":
        raise LayoutError(f"samples of {member} are integers (samples, 2), not {array.dtype} {array.shape}")
    if len(array) % axc.block_samples:
        raise LayoutError(f"{len(array)} samples of {member} are not whole blocks of {axc.block_samples}")
    limit = 1 << (axc.sample_width - 1)
    if len(array) and (int(array.min()) < -limit or int(array.max()) >= limit):
        raise SettingsError(f"{member} has samples outside {axc.sample_width} bits")


def _window(rows: Octets, piece: WordPiece, size: int) -> NDArray[np.uint64]:
    """The 64 bits around a piece in every block of `size` basic frames: a view, seldom aligned."""
    return rows[piece.basic_frame :: size, piece.octet : piece.octet + WINDOW_OCTETS].view("<u8")[:, 0]


def _shift(words: NDArray[np.uint64], left: int) -> None:
    if left > 0:
        np.left_shift(words, np.uint64(left), out=words)
    elif left < 0:
        np.right_shift(words, np.uint64(-left), out=words)


def _swap(words: NDArray[Any], scratch: NDArray[Any], steps: Sequence[tuple[int, int]]) -> None:
    """Swap neighbouring bit fields in place; a swapped pair t | t << k is t * (1 + 2^k), one pass less."""
    kind = words.dtype.type
    full = (1 << 8 * words.dtype.itemsize) - 1
    for shift, mask in steps:
        np.right_shift(words, kind(shift), out=scratch)
        np.bitwise_xor(scratch, words, out=scratch)
        np.bitwise_and(scratch, kind(mask & full), out=scratch)
        np.multiply(scratch, kind(1 + (1 << shift)), out=scratch)
        np.bitwise_xor(words, scratch, out=words)


def _steps(axc: AxcContainer) -> tuple[str, int, tuple[tuple[int, int], ...]]:
    """Type of a sample with I and Q in its halves, its bits, and the swaps that part them."""
    return ("<u4", 32, _SWAPS[:4]) if axc.sample_width <= 16 else ("<u8", 64, _SWAPS)


def _chunk_blocks(axc: AxcContainer) -> int:
    """Blocks handled at once, so that samples and scratch stay in cache."""
    return max(_CHUNK_BLOCKS, _CHUNK_SAMPLES // axc.block_samples)


def unpack_axc(axc: AxcContainer, rows: Octets, arrays: Sequence[Samples]) -> None:
    """Fill `arrays` (one a member) from whole blocks of basic frames."""
    size, per_block = axc.block_basic_frames, axc.block_samples
    places = container_places(axc, rows.shape[1])
    word, bits, swaps = _steps(axc)
    lead = bits - 2 * axc.sample_width
    blocks = len(rows) // size
    step = min(_chunk_blocks(axc), blocks)
    window, joined = np.empty(step, "<u8"), np.empty(step, "<u8")
    scratch = np.empty(step * per_block, word)
    words = [array.reshape(-1).view(word) for array in arrays]
    for first in range(0, blocks, step or 1):
        last = min(first + step, blocks)
        part, count = rows[first * size : last * size], last - first
        chunks = [member[first * per_block : last * per_block] for member in words]
        for place in places:
            found = window[:count]
            if len(place.pieces) == 1:
                np.copyto(found, _window(part, place.pieces[0], size))
                _shift(found, lead - place.pieces[0].shift)
            else:
                found = joined[:count]
                found[:] = 0
                for piece in place.pieces:
                    bit = window[:count]
                    np.copyto(bit, _window(part, piece, size))
                    _shift(bit, -piece.shift)
                    np.bitwise_and(bit, np.uint64((1 << piece.bits) - 1), out=bit)
                    _shift(bit, lead + piece.sample_bit)
                    np.bitwise_or(found, bit, out=found)
            chunks[place.member][place.slot :: per_block] = found.view(word)[:: 64 // bits]
        for chunk in chunks:
            _swap(chunk, scratch[: len(chunk)], swaps)
            if lead:
                halves = chunk.view(axc.dtype)
                np.right_shift(halves, halves.dtype.type(lead // 2), out=halves)


def pack_axc(axc: AxcContainer, rows: Octets, arrays: Sequence[Samples]) -> None:
    """OR the samples of `arrays` (one a member) into whole blocks of zeroed basic frames."""
    size, per_block = axc.block_basic_frames, axc.block_samples
    places = container_places(axc, rows.shape[1])
    word, _, swaps = _steps(axc)
    blocks = len(rows) // size
    step = min(_chunk_blocks(axc), blocks)
    window, piece_bits = np.empty(step, "<u8"), np.empty(step, "<u8")
    scratch = np.empty(step * per_block, word)
    chunks = [np.empty(step * per_block, word) for _ in arrays]
    mask = axc.dtype.type(-1 if axc.sample_width == 16 else (1 << axc.sample_width) - 1)
    for first in range(0, blocks, step or 1):
        last = min(first + step, blocks)
        part, count = rows[first * size : last * size], last - first
        for chunk, array in zip(chunks, arrays, strict=True):
            used = chunk[: count * per_block]
            halves = used.view(axc.dtype)
            halves[:] = array[first * per_block : last * per_block].reshape(-1)
            np.bitwise_and(halves, mask, out=halves)
            _swap(used, scratch[: len(used)], swaps[::-1])
        for place in places:
            for piece in place.pieces:
                bit, around = piece_bits[:count], window[:count]
                bit[:] = chunks[place.member][place.slot : count * per_block : per_block]
                _shift(bit, -piece.sample_bit)
                np.bitwise_and(bit, np.uint64((1 << piece.bits) - 1), out=bit)
                _shift(bit, piece.shift)
                target = _window(part, piece, size)
                np.copyto(around, target)
                np.bitwise_or(around, bit, out=around)
                np.copyto(target, around)


class WordPiece(NamedTuple):
    """Bits of one sample inside one basic frame of the block, as seen in a 64-bit window."""

    basic_frame: int
    octet: int
    shift: int
    bits: int
    sample_bit: int


class ContainerPlace(NamedTuple):
    """Where one sample of the block is, and which array and slot it belongs to."""

    member: int
    slot: int
    pieces: tuple[WordPiece, ...]


@lru_cache(maxsize=256)
def container_places(axc: AxcContainer, row_octets: int) -> tuple[ContainerPlace, ...]:
    """Places of all samples of one container block, in time order."""
    if axc.start_bit is None:
        raise SettingsError(f"{axc.name} has no place yet")
    width = 2 * axc.sample_width
    first = axc.stuffing_bits if axc.stuffing_position is StuffingPosition.START else 0
    places = []
    for index in range(axc.n_axc * axc.block_samples):
        position, done, pieces = first + index * width, 0, []
        while done < width:
            basic_frame, inside = divmod(position + done, axc.bits)
            bits = min(width - done, axc.bits - inside)
            start = axc.start_bit + inside
            octet = min(start // 8, row_octets - WINDOW_OCTETS)
            pieces.append(WordPiece(basic_frame, octet, start - 8 * octet, bits, done))
            done += bits
        slot, member = divmod(index, axc.n_axc)
        places.append(ContainerPlace(member, slot, tuple(pieces)))
    return tuple(places)
