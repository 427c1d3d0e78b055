"""Plans: five lines are enough, and a mistake is one line with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.acceptance.plan import parse_acceptance_plan, read_acceptance_plan
from monitor.acceptance.stage_settings import STAGE_SETTINGS, BerSettings, QuietSettings
from monitor.errors import InputError

FIVE = """name = "Saltmarsh"
source = "emulated:pair"
option = 2
rates = ["2", "4"]
leave_out = ["loopback", "soak"]
"""


def test_five_lines_are_a_plan_of_every_stage_but_those_left_out() -> None:
    plan = parse_acceptance_plan(FIVE)
    assert [stage.kind for stage in plan.stages] == [
        k for k in STAGE_SETTINGS if k not in ("loopback", "soak")
    ]
    assert plan.option == "2" and plan.rates == ("2", "4") and plan.left_out == ("loopback", "soak")
    assert all(stage.required for stage in plan.stages)
    assert plan.text == FIVE


def test_stages_are_ordered_and_repeated_as_written() -> None:
    plan = parse_acceptance_plan(
        'source = "emulated"\n[settings.ber]\nbound = 1e-8\nconfidence = 0.9\n'
        '[[stage]]\nkind = "ber"\nerrors = 2\n[[stage]]\nkind = "quiet"\nname = "morning"\nrequired = false\n'
        '[[stage]]\nkind = "ber"\nbound = 1e-7\n'
    )
    first, quiet, second = plan.stages
    assert isinstance(first.settings, BerSettings) and isinstance(second.settings, BerSettings)
    assert (first.settings.bound, first.settings.confidence, first.settings.errors) == (1e-8, 0.9, 2)
    assert (second.settings.bound, second.settings.confidence, second.settings.errors) == (1e-7, 0.9, 0)
    assert isinstance(quiet.settings, QuietSettings)
    assert quiet.title == "2 morning" and not quiet.required


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "source is missing"),
        ('source = "a.ffcap"', "line 1: source 'a.ffcap' is neither emulated nor a board"),
        ('source = "emulated"\nsorce = 1', "line 2: unknown key 'sorce'; did you mean 'source'?"),
        ('source = "emulated"\noption = "12"', "line 2: option is none of"),
        ('source = "emulated"\nrates = ["2", "x"]', "line 2: rates: there is no option 'x'"),
        (
            'source = "emulated"\nleave_out = ["quite"]',
            "line 2: leave_out: there is no kind of stage 'quite'; did you",
        ),
        ('source = "emulated"\n[settings.ber]\nbound = 2', "line 3: bound = 2 is outside"),
        ('source = "emulated"\n[settings.ber]\nerrors = 1.5', "line 3: errors = 1.5 is not a whole number"),
        (
            'source = "emulated"\n[settings.loopback]\nwhich = ["outside"]',
            "line 3: which: 'outside' is none of",
        ),
        (
            'source = "emulated"\n[[stage]]\nkind = "soak"\nsecond = 3',
            "line 4: unknown key 'second'; did you mean 'seconds'?",
        ),
        (
            'source = "emulated"\n[emulated]\ncompensation = "of-by-one"',
            "line 3: compensation 'of-by-one' is none of",
        ),
        ('source = "emulated"\n[board]\ntone_hz = ["a"]', "tone_hz is not a number"),
        ('source = "emulated"\n[emulated]\nfaults = "line.flip"', "line 3: faults is not a list"),
        ('source = "emulated"\n[equipment]\nREC = 5', "line 3: REC is not a name"),
        (
            'source = "emulated"\n[[stage]]\nkind = "quiet"\nrequired = 1',
            "line 4: required is neither true nor false",
        ),
    ],
)
def test_a_mistake_is_one_line_with_its_place(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_acceptance_plan(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_leaving_out_every_stage_is_a_mistake() -> None:
    kinds = ", ".join(f'"{kind}"' for kind in STAGE_SETTINGS)
    with pytest.raises(InputError, match="no stage is left"):
        parse_acceptance_plan(f'source = "emulated"\nleave_out = [{kinds}]')


def test_the_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text("x = 1\n")
    with pytest.raises(InputError, match=r"plan\.toml: line 1: unknown key 'x'"):
        read_acceptance_plan(str(path))
