"""Text that is made inert, cut and counted to fit."""

from __future__ import annotations

import pytest
from rich.cells import cell_len

from monitor.tui.cells import count, fit, fit_middle, inert_cells, lasting, window_text, wrapped


def test_inert() -> None:
    assert inert_cells("plain [red] text") == "plain [red] text"
    assert inert_cells("\x1b[31m") == "\\x1b[31m"
    assert inert_cells("a\u202eb\u0301\U0001f600\udcff") == "a\\u202eb\\u0301\\U0001f600\\udcff"


def test_fitting() -> None:
    assert fit("abcdef", 6) == "abcdef"
    assert fit("abcdefg", 6) == "abcde>"
    assert fit("abc", 0) == ""
    assert fit_middle("/one/two/three/four.bits", 14) == "/one/t..r.bits"
    assert len(fit_middle("x" * 99, 31)) == 31
    assert wrapped("one two three", 8) == ["one two", "three"]
    assert wrapped("x" * 20, 8) == ["x" * 8, "x" * 8, "x" * 4]
    assert wrapped("", 8) == [""]
    assert wrapped("abc", 0) == wrapped("abc", -4) == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("value", "width", "text"),
    [
        (0, 6, "0"),
        (999_999, 6, "999999"),
        (1_234_567, 6, "1.23M"),
        (123_456_789, 5, "123M"),
        (10**13, 6, "10.00T"),
    ],
)
def test_counts_fit(value: int, width: int, text: str) -> None:
    assert count(value, width) == text


def test_times_that_go_on() -> None:
    assert [lasting(s) for s in (0.4, 119.9, 120, 7199, 7200)] == ["0 s", "119 s", "2 min", "119 min", "2 h"]


def test_spans_are_told_in_a_unit_that_fits() -> None:
    told = [window_text(s) for s in (0.0874, 0.42, 2.54, 9.96, 10.0)]
    assert told == ["87 ms", "420 ms", "2.5 s", "10 s", "10 s"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("19 °C, ü, µs, ±0.5", "19 °C, ü, µs, ±0.5"),
        ("Кабель", "Кабель"),
        ("\x1b[2J\x9b31m", "\\x1b[2J\\x9b31m"),
        ("\u202egnp", "\\u202egnp"),
        ("電a", "\\u96fba"),  # two cells wide
        ("e\u0301", "e\\u0301"),  # stands over the e, in no cell of its own
        ("\udcff", "\\udcff"),
    ],
)
def test_what_is_printable_in_one_cell_is_itself(text: str, shown: str) -> None:
    assert inert_cells(text) == shown
    assert cell_len(shown) == len(shown)
