"""Captures around failures: before and after, bounded, and read as they were written."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.acceptance.captures import MOST_FAILURES, read_kept_capture
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.stage import StageContext
from monitor.acceptance.stages import STAGES
from monitor.errors import InputError
from tests.support.acceptance import short_plan


def kept(tmp_path: Path, emulated: str) -> StageContext:
    plan = short_plan("quiet", emulated=emulated, settings={"quiet": "hyperframes = 400"})
    context = StageContext(open_rig(plan), plan, plan.stages[0], tmp_path)
    STAGES["quiet"].measure(context)
    context.finish()
    return context


def test_a_failure_is_in_its_capture_with_what_was_before_and_after(tmp_path: Path) -> None:
    context = kept(tmp_path, 'faults = ["hdlc.fcs@250"]')
    (capture,) = context.kept
    assert capture.failure and not capture.clean and capture.counters["hdlc_fcs_errors"] == 1
    assert 50 <= capture.hyperframes <= 110
    read = read_kept_capture(tmp_path / capture.file)
    assert read == {name: getattr(capture, name) for name in read}


def test_a_clean_sample_is_clean(tmp_path: Path) -> None:
    (capture,) = kept(tmp_path, "").kept
    assert capture.clean and not capture.failure and capture.why == "clean sample"


def test_only_the_first_failures_are_kept(tmp_path: Path) -> None:
    faults = ", ".join(f'"line.flip@{at}"' for at in range(150, 450, 60))
    context = kept(tmp_path, f"faults = [{faults}]")
    assert len(context.kept) == MOST_FAILURES


def test_a_damaged_capture_is_an_input_error(tmp_path: Path) -> None:
    (capture,) = kept(tmp_path, "").kept
    path = tmp_path / capture.file
    octets = bytearray(path.read_bytes())
    octets[len(octets) // 2] ^= 1
    path.write_bytes(octets)
    with pytest.raises(InputError, match="damaged"):
        read_kept_capture(path)
