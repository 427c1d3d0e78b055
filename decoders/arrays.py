"""Names of the numpy array types that all rooms share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["F64", "I64", "U8", "U16", "U64"]

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
