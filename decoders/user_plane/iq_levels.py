"""Level, peak and DC offset of sample arrays."""

from __future__ import annotations

import math

import numpy as np

from .iq_packing import Samples

__all__ = ["dc_offset", "level_dbfs", "peak"]


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
