"""IQ integrity: level and EVM are those that numpy computes by hand from the samples that were sent."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from decoders.linerates import option_named
from decoders.user_plane.iq_map import IqMap
from monitor.acceptance.iq_integrity import measured_tones, tones_of_capture
from monitor.acceptance.known_traffic import ToneFill
from monitor.acceptance.results import AcceptanceOutcome
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of, usual_stage


def test_level_and_evm_are_those_computed_by_hand() -> None:
    """Noise of known size on a tone: EVM by definition, level as 20 log10 of the amplitude over 2^14."""
    option = option_named("2")
    iq_map = IqMap.parse(option, "M=15,fs=15.36,n=2")
    n, hz = 256 * 4 * 4, 200_000.0
    random = np.random.default_rng(5)
    turns = np.exp(2j * np.pi * hz / 15.36e6 * np.arange(n))
    values = 5000 * turns + 60 - 25j + random.normal(0, 40, n) + 1j * random.normal(0, 40, n)
    samples = np.stack((np.rint(values.real), np.rint(values.imag)), axis=1).astype(np.int16)
    octets = iq_map.pack(dict.fromkeys(iq_map.names, samples)).reshape(4, 256, 15, -1)
    # By hand: least squares of tone and constant through numpy's own solver.
    exact = samples[:, 0] + 1j * samples[:, 1]
    design = np.stack((turns, np.ones(n)), axis=1)
    fit = np.linalg.lstsq(design, exact, rcond=None)[0]
    error = exact - design @ fit
    evm = 100 * np.sqrt(np.mean(np.abs(error) ** 2)) / abs(fit[0])
    for row in measured_tones(octets, iq_map, (hz, hz)):
        assert row["level_dbfs"] == pytest.approx(20 * np.log10(abs(fit[0]) / 2**14), abs=1e-5)
        assert row["dc_dbfs"] == pytest.approx(20 * np.log10(abs(fit[1]) / 2**14), abs=1e-4)
        assert row["evm_percent"] == pytest.approx(evm, rel=1e-5)
    assert evm == pytest.approx(100 * 40 * np.sqrt(2) / 5000, rel=0.05)


def test_the_sample_that_is_kept_has_the_same_tones(tmp_path: Path) -> None:
    result = stage_of(short_plan("iq_integrity"), folder=tmp_path)
    raw = result.raw
    anew = tones_of_capture(
        tmp_path / result.captures[0], raw["iq_map"], [r["tone_hz"] for r in raw["tones"]]
    )
    for here, there in zip(raw["tones"], anew, strict=True):
        assert here["level_dbfs"] == pytest.approx(there["level_dbfs"], abs=0.001)


def test_the_nominal_tone_of_the_emulated_link_is_at_its_level() -> None:
    raw = usual_stage("iq_integrity").raw
    assert raw["tones"][0]["level_dbfs"] == pytest.approx(ToneFill.LEVEL_DBFS, abs=0.001)
    assert raw["differing_octets"] == 0 and raw["compared_octets"] > 0


def test_a_tone_of_another_frequency_is_no_tone() -> None:
    raw = dict(usual_stage("iq_integrity").raw)
    raw["tones"] = [row | {"level_dbfs": None, "evm_percent": None} for row in raw["tones"]]
    result = result_of(short_plan("iq_integrity"), raw)
    assert result.outcome is AcceptanceOutcome.FAIL and "no tone" in lines_of(result)


def test_a_link_that_went_away_after_the_first_hyperframes_is_no_pass() -> None:
    """As on a board: nothing is known to the octet, and the tone is that of the first hyperframes."""
    raw = dict(stage_of(short_plan("iq_integrity")).raw) | {"compared_octets": 0, "differing_octets": 0}
    assert result_of(short_plan("iq_integrity"), raw).passed
    interval = raw["watch"]["intervals"][0]
    gone = raw | {"watch": raw["watch"] | {"intervals": [interval | {"hyperframes": 10, "missed": 90}]}}
    assert [check.name for check in result_of(short_plan("iq_integrity"), gone).failed_checks] == [
        "extent at REC-A"
    ]
    damaged = raw | {"watch": raw["watch"] | {"intervals": [interval | {"moved": {"code_violations": 4}}]}}
    assert [check.name for check in result_of(short_plan("iq_integrity"), damaged).failed_checks] == [
        "errors at REC-A"
    ]
