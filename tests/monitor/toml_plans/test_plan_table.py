"""Values of plans: each is checked, and each mistake is one line with its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.toml_plans.plan_table import PlanTable, nearest_name, parse_plan_text, read_plan_octets

TEXT = """\
name = "Saltmarsh"
length = 2.5
count = 3
on = true
steps = ["a", "b"]
bad = "a\\u001b[2J"
[deep.table]
x = -1
[[entry]]
y = 1
[[entry]]
z = 2
"""


@pytest.fixture
def top() -> PlanTable:
    return parse_plan_text(TEXT)


def test_good_values(top: PlanTable) -> None:
    assert (top.text("name"), top.text("none", "default")) == ("Saltmarsh", "default")
    assert (top.number("length"), top.whole("count"), top.switch("on")) == (2.5, 3, True)
    assert top.texts("steps", 2) == ("a", "b")
    assert top.choice("name", ("x", "Saltmarsh")) == "Saltmarsh"
    assert top.table("deep").table("table").number("x", low=-2) == -1
    assert [dict(table.values) for table in top.tables("entry", 2)] == [{"y": 1}, {"z": 2}]
    assert top.table("none").place("none") == ""
    assert "name" in top and "none" not in top and list(top.tables("entry", 2)[1].names()) == ["z"]


@pytest.mark.parametrize(
    ("ask", "text"),
    [
        (
            lambda t: t.only("name", "length", "counts", "on", "steps"),
            "line 3: unknown key 'count'; did you mean 'counts'?",
        ),
        (lambda t: t.text("bad"), "line 6: bad is not a name of 1 to 40 printable characters"),
        (lambda t: t.text("name", most=3), "line 1: name is not a name of 1 to 3"),
        (lambda t: t.text("none"), "none is missing"),
        (lambda t: t.number("name"), "line 1: name is not a number"),
        (lambda t: t.number("length", high=2), "line 2: length = 2.5 is outside 0 to 2"),
        (lambda t: t.whole("length"), "line 2: length = 2.5 is not a whole number"),
        (lambda t: t.number("on"), "line 4: on is not a number"),
        (lambda t: t.switch("count"), "line 3: count is neither true nor false"),
        (lambda t: t.texts("steps", 1), "line 5: steps has 2 entries; 1 at most"),
        (lambda t: t.texts("name", 1), "line 1: name is not a list of texts in quotes"),
        (lambda t: t.choice("bad", ("good",)), "line 6: bad 'a\\\\x1b[2J' is none of good"),
        (lambda t: t.table("name"), "line 1: name is not a table: write [name]"),
        (lambda t: t.tables("deep", 1), "line 7: deep is not a list of tables: write [[deep]] above each"),
        (lambda t: t.tables("entry", 1), "line 9: 2 [[entry]]; 1 at most"),
        (lambda t: t.table("deep").table("table").number("x"), "line 8: x is negative"),
        (lambda t: t.tables("entry", 2)[1].number("y"), "line 11: y is missing"),
        (
            lambda t: t.table("deep").tables("table", 1),
            "line 7: table is not a list of tables: write [[deep.table]] above",
        ),
    ],
)
def test_mistakes_name_the_line_and_the_key(
    top: PlanTable, ask: Callable[[PlanTable], object], text: str
) -> None:
    with pytest.raises(InputError) as caught:
        ask(top)
    assert str(caught.value).startswith(text)


@pytest.mark.parametrize(
    "number", ["9" * 400, "-" + "9" * 400, "1e308", "-inf", "inf", "nan", "[1]", "{a = 1}"]
)
def test_numbers_beyond_all_measure(number: str) -> None:
    table = parse_plan_text(f"x = {number}")
    for ask in (table.number, table.whole):
        with pytest.raises(InputError, match=r"^line 1: x "):
            ask("x", None, low=-1e9) if ask == table.number else ask("x")


def test_what_is_no_toml_is_one_line() -> None:
    for text in ("[plan", "a = " + "9" * 5000, "a = " + "[" * 5000 + "]" * 5000, "a = 1\na = 2", '"\x1b'):
        with pytest.raises(InputError) as caught:
            parse_plan_text(text)
        assert "\n" not in str(caught.value) and str(caught.value).isprintable()


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    for octets, text in (
        (b"\xff\xfe", "not a text in UTF-8"),
        (b"#" * (1 << 21), "longer than a plan can be"),
    ):
        path.write_bytes(octets)
        with pytest.raises(InputError, match=rf"plan.toml: {text}"):
            read_plan_octets(str(path))
    for name, text in ((str(tmp_path / "none.toml"), "No such file"), ("a\0b", "not a file's name")):
        with pytest.raises(InputError, match=text):
            read_plan_octets(name)


def test_nearest_name() -> None:
    assert nearest_name("RE1", ("RE-1", "REC-A")) == "; did you mean 'RE-1'?"
    assert nearest_name("x", ("RE-1",)) == ""
