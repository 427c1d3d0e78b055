"""A known tone in samples: its level, the DC offset and the error vector magnitude, by least squares.

The samples are fitted with a complex tone of the known frequency and a constant; what is left is the error vector.
EVM is its r.m.s. magnitude over that of the tone (the definition that radio standards use for symbols, applied to
each sample; common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import LayoutError
from .iq_packing import Samples

__all__ = ["ToneFit", "fit_tone"]


@dataclass(frozen=True, slots=True)
class ToneFit:
    """Level of the tone and of the DC offset in dBFS (-inf for none), EVM in percent, over `samples` samples."""

    level_dbfs: float
    dc_dbfs: float
    evm_percent: float
    samples: int


def fit_tone(samples: Samples, turns_per_sample: float, sample_width: int) -> ToneFit:
    """The tone of `turns_per_sample` (frequency over sample rate) in samples (n, 2) of I and Q, M = `sample_width`.

    0 dBFS is a complex tone whose I and Q reach 2^(M-1). LayoutError for fewer than 16 samples, or a tone that
    cannot be told from a constant in so many.
    """
    n = len(samples)
    if n < 16:
        raise LayoutError(f"{n} samples: a tone needs 16")
    values = samples[:, 0].astype(np.float64) + 1j * samples[:, 1].astype(np.float64)
    carrier = np.exp(2j * np.pi * ((turns_per_sample * np.arange(n)) % 1.0))
    # Normal equations of two unknowns: the tone's amplitude and the constant.
    overlap = complex(np.mean(carrier))
    weight = 1 - abs(overlap) ** 2
    if weight < 1e-6:
        raise LayoutError("the tone cannot be told from a DC offset in so few samples")
    tone, mean = complex(np.mean(values * np.conj(carrier))), complex(np.mean(values))
    amplitude = (tone - overlap.conjugate() * mean) / weight
    constant = (mean - overlap * tone) / weight
    error = values - amplitude * carrier - constant
    rms = math.sqrt(float(np.mean(error.real**2 + error.imag**2)))
    full_scale = 2.0 ** (sample_width - 1)
    evm = 100 * rms / abs(amplitude) if abs(amplitude) else math.inf
    return ToneFit(_dbfs(abs(amplitude), full_scale), _dbfs(abs(constant), full_scale), evm, n)


def _dbfs(magnitude: float, full_scale: float) -> float:
    return 20 * math.log10(magnitude / full_scale) if magnitude > 1e-12 else -math.inf
