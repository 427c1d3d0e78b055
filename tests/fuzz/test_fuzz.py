"""A few damaged inputs for every target, the same ones each time; run.py has as many as there is time for."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.formats.forms import Form
from tests.fuzz.mutation import mutated_capture
from tests.fuzz.run import fuzz
from tests.fuzz.targets import TARGETS, Target, command

QUICK = 60
"""Inputs of a reader by itself; a command on a whole file gets a twentieth of it."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_target(target: Target, folder: Path) -> None:
    whole = target.name.startswith(("line", "decode", "export", "replay", "compare", "craft", "delay"))
    assert fuzz(target, folder, 1, count=QUICK // 20 if whole else QUICK) > 0


def test_every_form_and_plan_has_a_target() -> None:
    names = {target.name for target in TARGETS}
    assert {f"decode-{form}" for form in (*Form, "vcd")} <= names
    assert {"records", "fault-plan", "hop-plan", "craft-plan", "delay-hops", "vcd", "hex", "ffcap"} <= names


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_what_is_not_damaged_passes(target: Target, folder: Path) -> None:
    """The seeds themselves: a target that fails on good input would prove nothing."""
    for seed in target.seeds(folder)[:2]:
        target.check(seed, folder)


def test_a_mended_capture_is_read_to_its_end(folder: Path) -> None:
    """Damage behind right check sequences gets past the reader, or it would never reach the decoder."""
    seed = next(t for t in TARGETS if t.name == "ffcap").seeds(folder)[0]
    path = folder / "mended.ffcap"
    read = 0
    for number in range(12):
        path.write_bytes(mutated_capture(random.Random(number), seed))
        read += command("decode", path)[0] == 0
    assert read >= 4


def test_the_check_of_commands_can_fail(folder: Path) -> None:
    with pytest.raises(AssertionError):
        command("decode", folder / "nothing.octets", allowed=(0,))
