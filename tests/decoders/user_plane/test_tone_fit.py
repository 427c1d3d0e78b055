"""The fit of a known tone, against numpy's least squares and against values worked out on paper."""

from __future__ import annotations

import math

import numpy as np
import pytest

from decoders.errors import LayoutError
from decoders.user_plane.tone_fit import fit_tone


def samples_of(values: np.ndarray) -> np.ndarray:
    return np.stack((values.real, values.imag), axis=1)


def test_a_clean_tone_has_its_level_and_nothing_else() -> None:
    """Half of full scale is -6.0206 dBFS."""
    n = np.arange(960)
    fit = fit_tone(samples_of(2**13 * np.exp(2j * np.pi * 7 * n / 960)), 7 / 960, 15)
    assert fit.level_dbfs == pytest.approx(20 * math.log10(0.5), abs=1e-9)
    assert fit.dc_dbfs < -200 and fit.evm_percent < 1e-9 and fit.samples == 960


def test_a_second_tone_is_error_vector() -> None:
    """A tone of a tenth of the size is an EVM of 10 %."""
    n = np.arange(1000)
    values = 1000 * np.exp(2j * np.pi * 0.05 * n) + 100 * np.exp(-2j * np.pi * 0.05 * n)
    assert fit_tone(samples_of(values), 0.05, 15).evm_percent == pytest.approx(10.0, rel=1e-9)


def test_dc_is_told_from_a_tone_of_part_turns() -> None:
    n = np.arange(100)
    tone = np.exp(2j * np.pi * 0.0137 * n)
    fit = fit_tone(samples_of(3000j * tone + 55), 0.0137, 15)
    assert fit.level_dbfs == pytest.approx(20 * math.log10(3000 / 2**14), abs=1e-9)
    assert fit.dc_dbfs == pytest.approx(20 * math.log10(55 / 2**14), abs=1e-6)


def test_it_is_numpys_least_squares() -> None:
    random = np.random.default_rng(3)
    n = np.arange(333)
    tone = np.exp(2j * np.pi * 0.0731 * n)
    values = 800 * tone + 20 + random.normal(0, 30, 333) + 1j * random.normal(0, 30, 333)
    design = np.stack((tone, np.ones(333)), axis=1)
    coefficients = np.linalg.lstsq(design, values, rcond=None)[0]
    rest = values - design @ coefficients
    fit = fit_tone(samples_of(values), 0.0731, 12)
    assert fit.level_dbfs == pytest.approx(20 * math.log10(abs(coefficients[0]) / 2**11), abs=1e-9)
    assert fit.evm_percent == pytest.approx(
        100 * np.sqrt(np.mean(np.abs(rest) ** 2)) / abs(coefficients[0]), rel=1e-9
    )


def test_silence_has_no_level() -> None:
    fit = fit_tone(np.zeros((64, 2)), 0.1, 15)
    assert fit.level_dbfs == -math.inf and fit.evm_percent == math.inf


@pytest.mark.parametrize(("count", "turns"), [(15, 0.1), (16, 0.0), (20, 1.0)])
def test_too_little_to_tell_anything(count: int, turns: float) -> None:
    with pytest.raises(LayoutError):
        fit_tone(np.ones((count, 2)), turns, 15)
