"""Text of others on its way out: printable characters as they are, everything else as an escape."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.text import inert, inert_values, json_lines, json_text

HOSTILE = {
    "\x1b[31m": "\\x1b[31m",
    "\x1b]0;title\x07": "\\x1b]0;title\\x07",
    "\x9b31m": "\\x9b31m",  # C1: the control sequence introducer in one character
    "\u202egnp.exe": "\\u202egnp.exe",  # right-to-left override
    "\u2066a\u2069": "\\u2066a\\u2069",
    "\u061c\u200f": "\\u061c\\u200f",
    "a\u2028b": "a\\u2028b",
    "\udc80": "\\udc80",  # of a file name that is no UTF-8
    "a\nb\tc\0": "a\\nb\\tc\\x00",
    "\x7f": "\\x7f",
    "\U000e0041": "\\U000e0041",
    "°C ü Ω µs ±": "°C ü Ω µs ±",
    "電波 Кабель": "電波 Кабель",
}


@pytest.mark.parametrize("text", HOSTILE)
def test_only_what_is_printable_goes_out(text: str) -> None:
    assert inert(text) == HOSTILE[text]
    assert inert_values({text: [text, (1, text), {"a": None}]}) == {
        HOSTILE[text]: [HOSTILE[text], [1, HOSTILE[text]], {"a": None}]
    }


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("indent", [None, 1])
def test_json_keeps_the_text_and_escapes_what_is_not_printable(text: str, indent: int | None) -> None:
    line = json_text({"a": text, "b": [1, 2.5, True, None]}, indent=indent)
    assert json.loads(line) == {"a": text, "b": [1, 2.5, True, None]}
    assert line.replace("\n", "").isprintable()
    assert (indent is None) == ("\n" not in line)


@given(st.text(st.characters(codec=None)))
def test_no_text_at_all_gets_a_control_out(text: str) -> None:
    line = json_text({"a": text})
    assert json.loads(line)["a"] == text
    for out in (inert(text), line):
        # Unicode Standard Annex 44: Cc control, Cf format, Cs surrogate, Zl and Zp separators.
        assert not {unicodedata.category(c) for c in out} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


def test_lines_are_those_of_each_record() -> None:
    records = [{"a": 1}, {"b": "°"}, {"c": "\x7f"}, {"d": "\x9b"}, {"e": "\udc80"}]
    for some in (records, records[:1], records[:2], records[:3], []):
        assert json_lines(some).decode() == "".join(json_text(each) + "\n" for each in some)


def test_json_of_printable_text_is_short() -> None:
    assert json_text({"name": "19 °C"}) == '{"name":"19 °C"}'
