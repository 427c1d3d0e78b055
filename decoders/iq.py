"""AxC containers of the IQ block <-> sample arrays (CPRI V7.0 clauses 4.2.7.2.1 to 4.2.7.2.7).

The IQ block of a basic frame is words 1..15: bit b = (W - 1) * T + B, least significant bit of each octet
first. Inside an AxC container I and Q bits alternate from the least significant on, samples follow each other
in time, and a sample may straddle octets, words and (method 1) basic frames. Sample width and rate, place and
mapping method are not on the link: they are settings, held by `IqMap`.

Where a sample lies is worked out once per map. `unpack` then takes one 64-bit window per sample from all
basic frames at once, and one perfect unshuffle parts the I bits from the Q bits of a whole chunk.

The module never guesses a map from the bits, and leaves out mapping method 2 (WiMAX symbol based). The
stuffing places and the order of AxCs inside a method 3 group are from memory, hence the former a setting.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum, StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .errors import LayoutError, SettingsError
from .linerates import (
    BASIC_FRAMES_PER_HYPERFRAME,
    CHIP_RATE_HZ,
    HYPERFRAMES_PER_FRAME,
    LineRateOption,
)

__all__ = [
    "AxcContainer",
    "ContainerPosition",
    "IqMap",
    "IqUnpacker",
    "MappingMethod",
    "StuffingPosition",
    "dc_offset",
    "level_dbfs",
    "peak",
]

Octets = NDArray[np.uint8]
Samples = NDArray[Any]

_BASIC_FRAMES_PER_FRAME = BASIC_FRAMES_PER_HYPERFRAME * HYPERFRAMES_PER_FRAME
_MIN_WIDTH, _MAX_WIDTH = 4, 20
_WINDOW = 8
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


class MappingMethod(IntEnum):
    """How samples meet basic frames (clauses 4.2.7.2.5 and 4.2.7.2.7)."""

    IQ_SAMPLE = 1
    BACKWARD_COMPATIBLE = 3


class ContainerPosition(StrEnum):
    """Containers back to back from bit 0, or each at a given even bit (clause 4.2.7.2.3)."""

    PACKED = "packed"
    FLEXIBLE = "flexible"


class StuffingPosition(StrEnum):
    """Where in an AxC container block its stuffing lies."""

    START = "start"
    END = "end"


@dataclass(frozen=True, slots=True)
class AxcContainer:
    """One antenna-carrier, or for method 3 a group of `n_axc` alike, and its room in the IQ block.

    `sample_width` is M (4..20 bits for each of I and Q), `start_bit` the container's first bit b in the IQ
    block (None until an `IqMap` places it). `stuffing` None takes the method's own: stuffing bits at the
    end of a block for method 1, stuffing samples at its start for method 3. SettingsError for what cannot be.
    """

    name: str
    sample_width: int
    sample_rate_hz: int
    method: MappingMethod = MappingMethod.IQ_SAMPLE
    start_bit: int | None = None
    n_axc: int = 1
    stuffing: StuffingPosition | None = None

    def __post_init__(self) -> None:
        if not _MIN_WIDTH <= self.sample_width <= _MAX_WIDTH:
            raise SettingsError(
                f"{self.name}: sample width {self.sample_width} is outside {_MIN_WIDTH}..{_MAX_WIDTH} bits"
            )
        if self.sample_rate_hz <= 0:
            raise SettingsError(f"{self.name}: sample rate {self.sample_rate_hz} Hz is not positive")
        if _BASIC_FRAMES_PER_FRAME % self.block_basic_frames:
            raise SettingsError(
                f"{self.name}: {self.sample_rate_hz} Hz needs blocks of {self.block_basic_frames} basic "
                f"frames, which do not divide the {_BASIC_FRAMES_PER_FRAME} of a 10 ms frame"
            )
        if self.n_axc < 1:
            raise SettingsError(f"{self.name}: a group of {self.n_axc} AxCs")
        if self.n_axc > 1 and self.method is not MappingMethod.BACKWARD_COMPATIBLE:
            raise SettingsError(f"{self.name}: only mapping method 3 groups AxCs")

    @property
    def _ratio(self) -> Fraction:
        return Fraction(self.sample_rate_hz, CHIP_RATE_HZ)

    @property
    def block_samples(self) -> int:
        """S: samples of one AxC in a container block."""
        return self._ratio.numerator

    @property
    def block_basic_frames(self) -> int:
        """K: basic frames of a container block."""
        return self._ratio.denominator

    @property
    def containers(self) -> int:
        """Containers a basic frame: N_C for method 3, 1 for method 1."""
        return math.ceil(self.n_axc * self._ratio) if self.method is MappingMethod.BACKWARD_COMPATIBLE else 1

    @property
    def bits(self) -> int:
        """Bits of the IQ block it takes: N_AxC for method 1, N_C * 2M for method 3."""
        if self.method is MappingMethod.BACKWARD_COMPATIBLE:
            return self.containers * 2 * self.sample_width
        return 2 * math.ceil(self.sample_width * self._ratio)

    @property
    def stuffing_bits(self) -> int:
        """Bits of a container block that carry no sample: N_ST for method 1, N_V * 2M for method 3."""
        return self.block_basic_frames * self.bits - self.n_axc * self.block_samples * 2 * self.sample_width

    @property
    def stuffing_samples(self) -> int:
        """N_V of method 3; 0 for method 1, which stuffs bits."""
        whole = self.method is MappingMethod.BACKWARD_COMPATIBLE
        return self.stuffing_bits // (2 * self.sample_width) if whole else 0

    @property
    def stuffing_position(self) -> StuffingPosition:
        if self.stuffing is not None:
            return self.stuffing
        grouped = self.method is MappingMethod.BACKWARD_COMPATIBLE
        return StuffingPosition.START if grouped else StuffingPosition.END

    @property
    def members(self) -> tuple[str, ...]:
        """Names of its sample arrays: its own, or for a group of n its own with .0 to .n-1."""
        return (
            (self.name,)
            if self.n_axc == 1
            else tuple(f"{self.name}.{member}" for member in range(self.n_axc))
        )

    @property
    def dtype(self) -> np.dtype[Any]:
        """Of its sample arrays: int16 up to M = 16, int32 beyond."""
        return np.dtype("<i2") if self.sample_width <= 16 else np.dtype("<i4")


class _Piece(NamedTuple):
    """Bits of one sample inside one basic frame of the block, as seen in a 64-bit window."""

    basic_frame: int
    octet: int
    shift: int
    bits: int
    sample_bit: int


class _Place(NamedTuple):
    """Where one sample of the block is, and which array and slot it belongs to."""

    member: int
    slot: int
    pieces: tuple[_Piece, ...]


@lru_cache(maxsize=256)
def _places(axc: AxcContainer, row_octets: int) -> tuple[_Place, ...]:
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
            octet = min(start // 8, row_octets - _WINDOW)
            pieces.append(_Piece(basic_frame, octet, start - 8 * octet, bits, done))
            done += bits
        slot, member = divmod(index, axc.n_axc)
        places.append(_Place(member, slot, tuple(pieces)))
    return tuple(places)


@dataclass(frozen=True, slots=True)
class IqMap:
    """All AxC containers of one link direction; make it with `packed`, `flexible` or `parse`.

    SettingsError where containers overlap, start on an odd bit, share a name or do not fit in 15 * T bits.
    """

    option: LineRateOption
    position: ContainerPosition
    axcs: tuple[AxcContainer, ...]

    def __post_init__(self) -> None:
        room, end, before = self.option.iq_bits_per_basic_frame, 0, "the start"
        names = [member for axc in self.axcs for member in axc.members]
        if len(set(names)) != len(names):
            raise SettingsError("AxC names repeat: " + ", ".join(names))
        if any(axc.start_bit is None for axc in self.axcs):
            raise SettingsError("every AxC of a map needs a start bit")
        for axc in sorted(self.axcs, key=lambda axc: axc.start_bit or 0):
            start = axc.start_bit or 0
            if start % 2:
                raise SettingsError(f"{axc.name} starts on odd bit {start}; containers start on even bits")
            if start < end:
                raise SettingsError(
                    f"{axc.name} at bit {start} overlaps {before}, which ends before bit {end}"
                )
            end, before = start + axc.bits, axc.name
            if end > room:
                raise SettingsError(
                    f"{axc.name} takes bits {start}..{end - 1}; option {self.option.name} has {room} IQ bits"
                )

    @classmethod
    def packed(cls, option: LineRateOption, axcs: Iterable[AxcContainer]) -> IqMap:
        """Containers back to back from bit 0, in the order given; start bits already set are replaced."""
        placed, start = [], 0
        for axc in axcs:
            placed.append(replace(axc, start_bit=start))
            start += axc.bits
        return cls(option, ContainerPosition.PACKED, tuple(placed))

    @classmethod
    def flexible(cls, option: LineRateOption, axcs: Iterable[tuple[AxcContainer, int]]) -> IqMap:
        """Each container at the bit given beside it."""
        placed = tuple(replace(axc, start_bit=start) for axc, start in axcs)
        return cls(option, ContainerPosition.FLEXIBLE, placed)

    @classmethod
    def parse(cls, option: LineRateOption, text: str) -> IqMap:
        """A map from text such as "M=15,fs=7.68,n=2; M=16,fs=3.84": AxCs parted by ';', fields by ','.

        M: sample width, fs: sample rate in MHz, n: how many alike (1), method: 1 or 3 (1), group: AxCs in a
        method 3 group (1), b: start bit, on all or on none, name (A0, A1, ...). SettingsError otherwise.
        """
        axcs: list[AxcContainer] = []
        for item in filter(None, (part.strip() for part in text.split(";"))):
            axcs.extend(_parse_item(item, len(axcs)))
        if not axcs:
            raise SettingsError("the IQ map names no AxC")
        starts = [axc.start_bit for axc in axcs]
        if all(start is None for start in starts):
            return cls.packed(option, axcs)
        if None in starts:
            raise SettingsError("give b= for every AxC or for none")
        return cls(option, ContainerPosition.FLEXIBLE, tuple(axcs))

    @staticmethod
    def capacity(option: LineRateOption, axc: AxcContainer) -> int:
        """How many containers like this one fit in a basic frame of `option`."""
        return option.iq_bits_per_basic_frame // axc.bits

    @property
    def names(self) -> tuple[str, ...]:
        """Keys of the sample arrays, in the order of the containers."""
        return tuple(member for axc in self.axcs for member in axc.members)

    @property
    def reserved_bits(self) -> int:
        """Bits of the IQ block in no container: sent as 0, ignored when received."""
        return self.option.iq_bits_per_basic_frame - sum(axc.bits for axc in self.axcs)

    @property
    def block_basic_frames(self) -> int:
        """Basic frames after which the whole map repeats: the least common multiple of all K."""
        return math.lcm(*(axc.block_basic_frames for axc in self.axcs))

    def allocate(self, basic_frames: int, first_basic_frame: int = 0) -> dict[str, Samples]:
        """Arrays (samples, 2) that `unpack` of as many basic frames fills exactly."""
        out: dict[str, Samples] = {}
        for axc in self.axcs:
            count = _block_count(axc, basic_frames, first_basic_frame) * axc.block_samples
            out.update({member: np.empty((count, 2), axc.dtype) for member in axc.members})
        return out

    def unpack(
        self, iq_octets: Octets, first_basic_frame: int = 0, out: Mapping[str, Samples] | None = None
    ) -> dict[str, Samples]:
        """Samples of every AxC: arrays (samples, 2) of I and Q, int16 up to M = 16 and int32 beyond.

        `iq_octets` is uint8, (..., 15 * Y) or (..., 15, Y), all axes before taken as consecutive basic
        frames; a view such as `block[:, :, 1:, :]` of hyperframes (n, 256, 16, Y) is read where it lies.
        `first_basic_frame` is where in the 10 ms frame the first one is: blocks of K basic frames begin at
        multiples of K, and those that lie only partly inside are left out (`IqUnpacker` keeps them). No state
        stays behind. `out` as from `allocate`, at least as long as needed, is filled, and views of it are
        returned. LayoutError where the arrays do not fit.
        """
        rows = self._rows(iq_octets)
        result: dict[str, Samples] = {}
        for axc in self.axcs:
            blocks = _block_count(axc, len(rows), first_basic_frame)
            arrays = []
            for member in axc.members:
                array = _target(out, member, axc, blocks * axc.block_samples)
                arrays.append(array)
                result[member] = array
            size = axc.block_basic_frames
            skip = -first_basic_frame % size
            _unpack_axc(axc, rows[skip : skip + blocks * size], arrays)
        return result

    def pack(self, samples: Mapping[str, Samples], out: Octets | None = None) -> Octets:
        """IQ octets (basic frames, 15 * Y) of samples: the inverse of `unpack`, from a block boundary on.

        `samples` holds for each of `names` an integer array (samples, 2) of whole blocks, all lasting equally
        long. Reserved and stuffing bits are 0. `out` is filled and returned instead, in any of the shapes
        `unpack` reads, if its frames can be written where they lie. LayoutError where lengths do not fit,
        SettingsError where a sample is wider than M.
        """
        missing = [name for name in self.names if name not in samples]
        if missing:
            raise LayoutError("no samples for " + ", ".join(missing))
        lengths = set()
        for axc in self.axcs:
            for member in axc.members:
                _check_samples(axc, member, samples[member])
                lengths.add(len(samples[member]) // axc.block_samples * axc.block_basic_frames)
        if len(lengths) > 1:
            raise LayoutError(f"samples of the AxCs last differently: {sorted(lengths)} basic frames")
        row_octets = self.option.iq_bits_per_basic_frame // 8
        if out is None:
            out = np.empty((max(lengths, default=0), row_octets), np.uint8)
        rows = self._rows(out, writing=True)
        if lengths and len(rows) not in lengths:
            raise LayoutError(f"samples for {max(lengths)} basic frames, room for {len(rows)}")
        rows[...] = 0
        for axc in self.axcs:
            _pack_axc(axc, rows, [samples[member] for member in axc.members])
        return out

    def _rows(self, iq_octets: Octets, writing: bool = False) -> Octets:
        """The array as (basic frames, 15 * Y), a view where it can be one."""
        word, row = self.option.word_octets, self.option.iq_bits_per_basic_frame // 8
        if iq_octets.dtype != np.uint8:
            raise LayoutError(f"IQ octets are uint8, not {iq_octets.dtype}")
        if iq_octets.shape[-1:] != (row,) and iq_octets.shape[-2:] != (15, word):
            raise LayoutError(f"IQ octets {iq_octets.shape} are neither (..., {row}) nor (..., 15, {word})")
        try:
            rows = iq_octets.reshape(-1, row, copy=False) if writing else iq_octets.reshape(-1, row)
        except ValueError as problem:
            raise LayoutError("basic frames of this array cannot be written where they lie") from problem
        if rows.strides[1] == 1:
            return rows
        if writing:
            raise LayoutError("octets of a basic frame do not follow each other in this array")
        return np.ascontiguousarray(rows)


class IqUnpacker:
    """Unpacks a stream in pieces of any number of basic frames, keeping the begun block between them.

    Basic frames before the first common block boundary are dropped, so the arrays of all AxCs start at the
    same instant. For maps of K = 1 nothing is kept and nothing copied.
    """

    def __init__(self, iq_map: IqMap, first_basic_frame: int = 0) -> None:
        self.iq_map = iq_map
        self._size = iq_map.block_basic_frames
        self.reset(first_basic_frame)

    def reset(self, first_basic_frame: int = 0) -> None:
        """Forget the begun block; the next basic frame is this one of its 10 ms frame."""
        self._skip = -first_basic_frame % self._size
        self._kept = np.empty((0, self.iq_map.option.iq_bits_per_basic_frame // 8), np.uint8)

    def feed(self, iq_octets: Octets, out: Mapping[str, Samples] | None = None) -> dict[str, Samples]:
        """Samples of all blocks completed by these basic frames; arguments as for `IqMap.unpack`."""
        rows = self.iq_map._rows(iq_octets)
        dropped = min(self._skip, len(rows))
        self._skip -= dropped
        rows = rows[dropped:]
        if len(self._kept):
            rows = np.concatenate((self._kept, rows))
        whole = len(rows) // self._size * self._size
        self._kept = rows[whole:].copy()
        return self.iq_map.unpack(rows[:whole], out=out)


def level_dbfs(samples: Samples, sample_width: int) -> float:
    """Mean power of samples (n, 2) in dBFS; -inf for silence or no samples.

    0 dBFS is a complex tone whose I and Q reach 2^(M-1) (common practice, no source).
    """
    flat = samples.reshape(-1).astype(np.float64)
    power = float(np.dot(flat, flat)) / max(len(samples), 1)
    return 10 * math.log10(power / 4 ** (sample_width - 1)) if power else -math.inf


def peak(samples: Samples) -> int:
    """Largest magnitude of any I or Q value of samples (n, 2), in steps; 0 for no samples."""
    return max(-int(samples.min()), int(samples.max()), 0) if samples.size else 0


def dc_offset(samples: Samples) -> tuple[float, float]:
    """Mean of I and of Q of samples (n, 2), in steps; zeros for no samples."""
    if not len(samples):
        return 0.0, 0.0
    mean_i, mean_q = samples.mean(axis=0, dtype=np.float64)
    return float(mean_i), float(mean_q)


_MOST_ALIKE = 10_000
"""More containers than a basic frame of any option has bits for."""


def _parse_item(item: str, first: int) -> list[AxcContainer]:
    """AxCs of one ';' part of `IqMap.parse`; the first without a name is A<first>."""
    fields: dict[str, str] = {}
    for field in item.split(","):
        key, _, value = (part.strip() for part in field.partition("="))
        if key not in {"M", "fs", "n", "method", "group", "b", "name"} or not value or key in fields:
            raise SettingsError(
                f"{field.strip()!r} in IQ map {item!r}: M, fs, n, method, group, b, name, each once"
            )
        fields[key] = value
    try:
        rate = _rate_hz(fields["fs"])
        count = int(fields.get("n", 1))
        start = int(fields["b"]) if "b" in fields else None
        method = MappingMethod(int(fields.get("method", 1)))
        width, group = int(fields["M"]), int(fields.get("group", 1))
    except KeyError as problem:
        raise SettingsError(f"IQ map {item!r} lacks {problem.args[0]}=") from problem
    except (ValueError, ZeroDivisionError) as problem:
        raise SettingsError(f"IQ map {item!r}: {problem}") from problem
    if rate.denominator != 1 or not (1 <= count <= _MOST_ALIKE and group <= _MOST_ALIKE):
        raise SettingsError(f"IQ map {item!r}: fs is whole Hz and n is 1 to {_MOST_ALIKE}, as is group")
    if count > 1 and start is not None:
        raise SettingsError(f"IQ map {item!r}: n= and b= exclude each other")
    if "name" in fields:
        names = [fields["name"]] if count == 1 else [f"{fields['name']}{index}" for index in range(count)]
    else:
        names = [f"A{first + index}" for index in range(count)]
    return [AxcContainer(name, width, int(rate), method, start, group) for name in names]


def _rate_hz(text: str) -> Fraction:
    try:
        if "/" in text or 0 < float(text) < 1e6:  # no exponent that would take for ever
            return Fraction(text) * 1_000_000
    except (ValueError, ZeroDivisionError):
        pass
    raise ValueError(f"fs={text} is no sample rate in MHz, as 15.36")


def _block_count(axc: AxcContainer, basic_frames: int, first_basic_frame: int) -> int:
    size = axc.block_basic_frames
    return max(basic_frames - -first_basic_frame % size, 0) // size


def _target(out: Mapping[str, Samples] | None, member: str, axc: AxcContainer, count: int) -> Samples:
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


def _check_samples(axc: AxcContainer, member: str, array: Samples) -> None:
    if array.ndim != 2 or array.shape[1] != 2 or array.dtype.kind not in "iu":
        raise LayoutError(f"samples of {member} are integers (samples, 2), not {array.dtype} {array.shape}")
    if len(array) % axc.block_samples:
        raise LayoutError(f"{len(array)} samples of {member} are not whole blocks of {axc.block_samples}")
    limit = 1 << (axc.sample_width - 1)
    if len(array) and (int(array.min()) < -limit or int(array.max()) >= limit):
        raise SettingsError(f"{member} has samples outside {axc.sample_width} bits")


def _window(rows: Octets, piece: _Piece, size: int) -> NDArray[np.uint64]:
    """The 64 bits around a piece in every block of `size` basic frames: a view, seldom aligned."""
    return rows[piece.basic_frame :: size, piece.octet : piece.octet + _WINDOW].view("<u8")[:, 0]


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


def _unpack_axc(axc: AxcContainer, rows: Octets, arrays: Sequence[Samples]) -> None:
    """Fill `arrays` (one a member) from whole blocks of basic frames."""
    size, per_block = axc.block_basic_frames, axc.block_samples
    places = _places(axc, rows.shape[1])
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


def _pack_axc(axc: AxcContainer, rows: Octets, arrays: Sequence[Samples]) -> None:
    """OR the samples of `arrays` (one a member) into whole blocks of zeroed basic frames."""
    size, per_block = axc.block_basic_frames, axc.block_samples
    places = _places(axc, rows.shape[1])
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
