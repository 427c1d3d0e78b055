"""The guides: PLAN.md is made from the settings, the numbers of STATISTICS.md are computed, links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.acceptance import plan_reference
from monitor.acceptance.error_ratio import needed_bits
from monitor.acceptance.plan import parse_acceptance_plan
from monitor.acceptance.stage_settings import BerSettings
from monitor.cli.command_line import build_parser

FOLDER = Path(plan_reference.__file__).parent
GUIDES = ("PLAN.md", "STATISTICS.md", "BRINGUP.md")


def test_the_reference_is_the_settings() -> None:
    why = "run python -m monitor.acceptance.plan_reference > monitor/acceptance/PLAN.md"
    assert (FOLDER / "PLAN.md").read_text() == plan_reference.reference_page(), why


def test_the_plan_in_the_reference_is_one() -> None:
    (plan,) = re.findall(r"```toml\n(.*?)```", (FOLDER / "PLAN.md").read_text(), re.DOTALL)
    assert len(parse_acceptance_plan(plan).stages) == 10


def test_the_table_of_bits_is_computed() -> None:
    text = (FOLDER / "STATISTICS.md").read_text()
    for errors in (0, 1, 2):
        low, high = (needed_bits(BerSettings(bound=1e-9, confidence=c, errors=errors)) for c in (0.95, 0.99))
        seconds = low / 1.2288e9
        assert f"| {errors} | {low / 1e9:.2f}e9 | {high / 1e9:.2f}e9 | {seconds:.1f} s |" in text


def test_the_plan_of_saltmarsh_is_one() -> None:
    text = (FOLDER.parents[1] / "captures" / "saltmarsh.toml").read_text()
    plan = parse_acceptance_plan(text)
    assert plan.source == "emulated:chain" and len(plan.stages) == 11


@pytest.mark.parametrize("name", GUIDES)
def test_links_lead_to_files_and_command_lines_are_ones(name: str) -> None:
    text = (FOLDER / name).read_text()
    for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", text):
        assert (FOLDER / target).exists(), target
    for block in text.split("```")[1::2]:
        for line in block.splitlines():
            if line.startswith("framefray "):
                assert build_parser().parse_args(line.replace("'", "").split()[1:]).command
