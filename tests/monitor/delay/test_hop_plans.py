"""Plans of radio heads: what they mean, and that each mistake is one line with key and line number."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli.main import main
from monitor.delay.hop_plans import parse_plan
from monitor.errors import InputError
from monitor.reports.hop_text import hop_lines, hop_record, picture

PLAN = """\
[plan]
name = "Saltmarsh"
option = 3
budget = "nr-mimo"

[[head]]
name = "RE-1"
length_m = 120.0
through_basic_frames = 2
t2a_ns = 800

[[head]]
name = "RE-2"
after = "RE-1"
length_m = 40
medium = "coax"
known_by = "length"

[[head]]
name = "RE-3"
option = "7A"
length_m = 3000
wavelength_nm = 1550
"""


def test_plan():
    plan = parse_plan(PLAN)
    assert [h.name for h in plan.heads] == ["RE-1", "RE-2", "RE-3"]
    assert [h.option for h in plan.heads] == ["3", "3", "7A"]
    assert plan.heads[0].after == plan.controller == "REC-A"
    assert plan.budget.limit_ns == 65.0
    found = plan.delays()
    assert [h.hops for h in found.heads] == [1, 2, 1]
    assert found.heads[2].one_way_ns == pytest.approx(3000 * 1.4682 / 0.299792458)
    assert found.heads[2].buffer_ns == 0.0
    assert max(h.one_way_ns + h.buffer_ns for h in found.heads) == pytest.approx(found.heads[2].one_way_ns)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("length_m = 40", "length_m = -40", "line 15: length_m is negative"),
        ("length_m = 40", "length_m = true", "line 15: length_m is not a number"),
        ("length_m = 40", "length_m = nan", "line 15: length_m is not a number"),
        ("length_m = 40", "length_m = inf", "line 15: length_m is too large"),
        ("length_m = 40\n", "", "line 12: length_m of RE-2 is missing"),
        ("option = 3\n", "", "line 5: option (the line rate) of RE-1 is missing"),
        ('option = "7A"', 'option = "11"', "line 21: option: line rate option '11' does not exist"),
        ("t2a_ns = 800", "t2b_ns = 800", "line 10: unknown key 't2b_ns'; did you mean 't2a_ns'?"),
        ("budget =", "bugdet =", "line 4: unknown key 'bugdet'; did you mean 'budget'?"),
        ('budget = "nr-mimo"', 'budget = "mimo"', "line 4: budget 'mimo' is none of"),
        ("[plan]", "[plans]", "line 1: unknown key 'plans'"),
        (
            'name = "RE-1"',
            'name = "RE-1"\nafter = "RE-2"',
            "line 8: after: the links make a loop, RE-1 after RE-2",
        ),
        ('after = "RE-1"', 'after = "RE-9"', "line 14: after: there is no board 'RE-9'"),
        ('name = "RE-3"', 'name = "RE-1"', "line 20: name 'RE-1' is there twice"),
        ('name = "RE-3"\n', "", "line 19: name is missing"),
        ('medium = "coax"', 'medium = "string"', "line 16: medium 'string' is none of fibre, coax"),
        ('medium = "coax"', "medium = 3", "line 16: medium 3 is none of"),
        (
            "through_basic_frames = 2",
            "through_basic_frames = 2.5",
            "line 9: through_basic_frames = 2.5 is not a whole",
        ),
        ("wavelength_nm = 1550", "wavelength_nm = 850", "line 23: wavelength_nm: 1310 and 1550 are known"),
        ("wavelength_nm = 1550", "group_index = 0.5", "line 23: group_index = 0.5 is outside 1 to 5"),
        ('name = "Saltmarsh"', "name = 3", "line 2: name is not a name"),
        ('name = "Saltmarsh"', 'name = "a\\u001b[2J"', "line 2: name is not a name"),
        ("[plan]", "[plan", "not TOML"),
        ("length_m = 3000", "length_m = 3e12", "line 22: length_m is too large"),
    ],
)
def test_mistakes_name_key_and_line(old, new, text):
    assert PLAN.count(old) >= 1
    with pytest.raises(InputError) as caught:
        parse_plan(PLAN.replace(old, new, 1))
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_numbers_and_nesting_beyond_all_measure():
    for number in ("9" * 400, "-" + "9" * 400, "1e308", "-inf", "1979-05-27", "[1]", "{a = 1}"):
        with pytest.raises(InputError, match="line 15: length_m"):
            parse_plan(PLAN.replace("length_m = 40", f"length_m = {number}"))
    with pytest.raises(InputError, match="not TOML"):
        parse_plan("a = " + "9" * 5000)
    hexadecimal = "0x" + "f" * 5000  # which is read, and could not be printed
    with pytest.raises(InputError, match="line 16: medium is none of fibre, coax"):
        parse_plan(PLAN.replace('medium = "coax"', f"medium = {hexadecimal}"))
    with pytest.raises(InputError, match="line 21: option is not a name"):
        parse_plan(PLAN.replace('option = "7A"', f"option = {hexadecimal}"))
    with pytest.raises(InputError):
        parse_plan("a = " + "[" * 5000 + "]" * 5000)


@given(st.text(alphabet=st.sampled_from(PLAN + "{}[],#'\\-:0"), max_size=40), st.integers(0, len(PLAN)))
@settings(max_examples=150, deadline=None)
def test_a_damaged_plan_is_read_or_refused(text, at):
    """Whatever is put into a plan: a plan whose delays can be worked out, or one line about it."""
    try:
        plan = parse_plan(PLAN[:at] + text + PLAN[at + len(text) :])
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert hop_lines(plan)


def test_plans_without_heads():
    for text in ("", "[plan]\n", "head = 3\n", "head = [3]\n", 'plan = "x"\n'):
        with pytest.raises(InputError):
            parse_plan(text)


def test_picture():
    lines = picture(parse_plan(PLAN), ascii_only=True)
    assert lines[0] == "REC-A"
    assert lines[1].startswith("|-- 120 m fibre = 587.5 ns") and lines[1].endswith("RE-1")
    assert lines[2].startswith("|   `-- 40 m coax") and lines[2].endswith("RE-2")
    assert lines[3].startswith("`-- 3000 m fibre") and lines[3].endswith("RE-3")


def test_replaced_cable():
    plan = parse_plan(PLAN)
    text = "\n".join(hop_lines(plan, plan.replaced("RE-1", 140.0), ascii_only=True))
    assert "with the old buffers the RE are 97.914 ns apart: OUTSIDE the budget" in text
    assert text.isascii()
    record = hop_record(plan, plan.replaced("RE-1", 140.0))
    moved = [
        n["one_way_ns"] - o["one_way_ns"]
        for o, n in zip(record["heads"], record["replaced"]["heads"], strict=True)
    ]
    assert moved == pytest.approx([97.914, 97.914, 0.0], abs=1e-3)
    with pytest.raises(InputError):
        plan.replaced("RE-9", 1.0)


def test_command(tmp_path, capsys):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    assert main(["delay", "--hops", str(path)]) == 0
    out = capsys.readouterr().out
    assert "verdict: pass" in out and "margin" in out and "from memory" in out
    assert main(["delay", "--hops", str(path), "--json", "--replace", "RE-1=140"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["schema"] == "framefray.delay/1" and "replaced" in record
    path.write_text(PLAN.replace('budget = "nr-mimo"', "budget_ns = 0.5"))
    assert main(["delay", "--hops", str(path)]) == 1
    assert "verdict: fail" in capsys.readouterr().out
    assert main(["delay", "--hops", str(path), "--replace", "RE-1"]) == 2
    path.write_bytes(b"\xff\xfe")
    assert main(["delay", "--hops", str(path)]) == 2
    assert capsys.readouterr().err.count("\n") == 2
