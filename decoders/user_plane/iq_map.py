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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..errors import LayoutError, SettingsError
from ..linerates import LineRateOption
from .axc_container import AxcContainer, ContainerPosition, block_count, parse_map_item
from .iq_packing import Octets, Samples, check_samples, pack_axc, sample_target, unpack_axc

__all__ = ["IqMap", "IqUnpacker"]


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
            axcs.extend(parse_map_item(item, len(axcs)))
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
            count = block_count(axc, basic_frames, first_basic_frame) * axc.block_samples
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
            blocks = block_count(axc, len(rows), first_basic_frame)
            arrays = []
            for member in axc.members:
                array = sample_target(out, member, axc, blocks * axc.block_samples)
                arrays.append(array)
                result[member] = array
            size = axc.block_basic_frames
            skip = -first_basic_frame % size
            unpack_axc(axc, rows[skip : skip + blocks * size], arrays)
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
                check_samples(axc, member, samples[member])
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
            pack_axc(axc, rows, [samples[member] for member in axc.members])
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
