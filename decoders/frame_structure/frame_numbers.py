"""BFN and HFN of hyperframes as one number that goes on."""

from __future__ import annotations

import numpy as np

from ..arrays import I64, U8
from ..linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME
from . import controlwords as cw

__all__ = ["NUMBER_MODULUS", "line_numbers"]

NUMBER_MODULUS = BFN_MODULUS * HYPERFRAMES_PER_FRAME
"""BFN and HFN together count this many hyperframes, 40.96 s, and begin anew."""


def line_numbers(octets: U8) -> I64:
    """BFN * 150 + HFN of hyperframes (n, 256, 16, T/8) as they are sent, int64 (n,); -1 where HFN cannot be."""
    hfn = octets[:, cw.X_HFN, 0, 0].astype(np.int64)
    bfn = octets[:, cw.X_BFN_LOW, 0, 0].astype(np.int64)
    bfn |= (octets[:, cw.X_BFN_HIGH, 0, 0] & 0x0F).astype(np.int64) << 8
    return np.where(hfn < HYPERFRAMES_PER_FRAME, bfn * HYPERFRAMES_PER_FRAME + hfn, -1)
