"""IQ samples of one AxC as a NumPy array file (.npy) or a SigMF recording.

`.npy` holds (samples, 2) integers, I and Q, as they are on the link: int16 up to M = 16, int32 beyond, neither
shifted nor scaled. SigMF (Signal Metadata Format, 1.2) holds the same numbers as ci16_le or ci32_le beside a
JSON description. Both are written as the samples come, in flat memory. Nothing here decodes a line.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from decoders.frame_structure.controlwords import X_HFN
from decoders.linerates import BASIC_FRAMES_PER_HYPERFRAME
from decoders.link.decoder import HyperframeBlock
from decoders.user_plane.iq_map import IqMap, IqUnpacker

from ..errors import InputError
from ..text import json_text

__all__ = ["AxcSamples", "Gap", "NpyFile", "SigmfData", "choose_axc", "sigmf_meta"]

SIGMF_VERSION = "1.2.0"
_SHAPE_DIGITS = 20


def choose_axc(iq_map: IqMap, name: str | None) -> str:
    """The AxC asked for, or the only one; InputError names those there are."""
    names = iq_map.names
    if name is None and len(names) == 1:
        return names[0]
    if name is None:
        raise InputError(f"the IQ map has AxCs {', '.join(names)}", hint="choose one with --axc")
    if name not in names:
        raise InputError(f"--axc {name}: the IQ map has AxCs {', '.join(names)}")
    return name


@dataclass(frozen=True, slots=True)
class Gap:
    """Sync was lost: `sample` is the first one after it, `hyperframe` the decoder's number of it."""

    sample: int
    hyperframe: int


class AxcSamples:
    """Blocks of hyperframes in, samples (n, 2) of one AxC out; `count`, `peak` and `gaps` tell what there was."""

    def __init__(self, iq_map: IqMap, name: str) -> None:
        self.iq_map = iq_map
        self.name = name
        self.axc = next(axc for axc in iq_map.axcs if name in axc.members)
        self.count = 0
        self.gaps: list[Gap] = []
        self._unpacker: IqUnpacker | None = None
        self._losses = 0

    def take(self, block: HyperframeBlock, losses: int) -> NDArray[Any]:
        """Samples completed by these hyperframes; `losses` of sync so far, of which a new one begins anew."""
        hfn = int(block.octets[0, X_HFN, 0, 0])
        first = hfn * BASIC_FRAMES_PER_HYPERFRAME
        if self._unpacker is None:
            self._unpacker = IqUnpacker(self.iq_map, first)
        elif losses != self._losses:
            self._unpacker.reset(first)
            self.gaps.append(Gap(self.count, block.first))
        self._losses = losses
        samples = self._unpacker.feed(block.octets[:, :, 1:, :])[self.name]
        self.count += len(samples)
        return samples


class NpyFile:
    """A .npy file of (n, 2) integers whose length is filled in at the end."""

    def __init__(self, stream: BinaryIO, dtype: np.dtype[Any]) -> None:
        self._stream = stream
        self._dtype = dtype
        self.count = 0
        self._head(10**_SHAPE_DIGITS - 1)

    def write(self, samples: NDArray[Any]) -> None:
        self._stream.write(np.ascontiguousarray(samples, self._dtype).data)
        self.count += len(samples)

    def close(self) -> None:
        """Put the length into the header, which keeps its size."""
        self._stream.seek(0)
        self._head(self.count)

    def _head(self, count: int) -> None:
        text = f"{{'descr': {self._dtype.str!r}, 'fortran_order': False, 'shape': ({count}, 2), }}"
        padding = _SHAPE_DIGITS - len(str(count))
        size = npy.MAGIC_LEN + 2 + len(text) + padding + 1
        text += " " * (padding + -size % npy.ARRAY_ALIGN) + "\n"
        self._stream.write(npy.magic(1, 0) + len(text).to_bytes(2, "little") + text.encode("ascii"))


class SigmfData:
    """The data file of a recording: samples as they come, and their SHA-512."""

    def __init__(self, stream: BinaryIO, dtype: np.dtype[Any]) -> None:
        self._stream = stream
        self._dtype = dtype
        self._hash = hashlib.sha512()
        self.count = 0

    def write(self, samples: NDArray[Any]) -> None:
        data = np.ascontiguousarray(samples, self._dtype).data.cast("B") if len(samples) else b""
        self._stream.write(data)
        self._hash.update(data)
        self.count += len(samples)

    @property
    def sha512(self) -> str:
        return self._hash.hexdigest()


def sigmf_meta(samples: AxcSamples, data: SigmfData, source: str) -> bytes:
    """The JSON of a recording's .sigmf-meta file."""
    axc = samples.axc
    option = samples.iq_map.option
    document = {
        "global": {
            "core:datatype": f"ci{8 * axc.dtype.itemsize}_le",
            "core:sample_rate": axc.sample_rate_hz,
            "core:version": SIGMF_VERSION,
            "core:num_channels": 1,
            "core:sha512": data.sha512,
            "core:recorder": "framefray export",
            "core:description": (
                f"AxC {samples.name} of line rate option {option.name} from {source}: {axc.sample_width} bits"
                f" each for I and Q in two's complement, full scale {1 << (axc.sample_width - 1)}"
            ),
        },
        "captures": [{"core:sample_start": 0}],
        "annotations": [
            {
                "core:sample_start": gap.sample,
                "core:label": "gap",
                "core:comment": f"frame sync was lost before this sample (hyperframe {gap.hyperframe})",
            }
            for gap in samples.gaps
        ],
    }
    return json_text(document, indent=2).encode() + b"\n"
