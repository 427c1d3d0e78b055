"""Where keys stand in a TOML text: every key of what tomllib reads has a line, and nothing in a string is a key."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.toml_plans.key_places import KeyPath, key_lines_of, nearest_line

TEXT = '''name = "a [x]"  # [no]
note = """
fake = 1
[fake]
"""
[[boards]]
name = 'b # c'
[boards.sources]
"RE-2" = "socket://x" # c = 3
a.b . "c\\u0041" = [1,
 {x=1, y = [2]},
 # z = 1
 3]

[[boards]]
[[boards.sub]]
q = 1979-05-27 07:32:00
[[boards.sub]]
[boards.sources]
t = """a"""""
u = true
'''


def paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    if path:
        yield path
    for key, below in (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    ):
        yield from paths(below, (*path, key))


def test_lines_of_keys_tables_and_entries() -> None:
    lines = key_lines_of(TEXT)
    assert set(lines) == set(paths(tomllib.loads(TEXT)))
    assert lines["note",] == 2
    assert lines["boards", 0, "sources", "RE-2"] == 9
    assert lines["boards", 0, "sources", "a", "b", "cA", 1, "y", 0] == 11
    assert lines["boards", 1, "sub", 0, "q"] == 17
    assert lines["boards", 1, "sub", 1] == 18
    assert lines["boards", 1, "sources", "u"] == 21
    assert key_lines_of(TEXT.replace("\n", "\r\n")) == lines


def test_a_key_that_is_not_there_stands_with_its_table() -> None:
    lines = key_lines_of(TEXT)
    assert nearest_line(lines, ("boards", 1, "sources", "none")) == 19
    assert nearest_line(lines, ("boards", 1, "none")) == 15
    assert nearest_line(lines, ("none",)) is None


@given(st.text(alphabet=st.sampled_from(TEXT), max_size=30), st.integers(0, len(TEXT)))
@settings(max_examples=200, deadline=None)
def test_every_key_that_tomllib_reads_has_a_line(text: str, at: int) -> None:
    """Checked against tomllib of the standard library, on every damaged text that is still TOML."""
    damaged = TEXT[:at] + text + TEXT[at + len(text) :]
    try:
        document = tomllib.loads(damaged)
    except ValueError:
        return
    lines = key_lines_of(damaged)
    assert set(paths(document)) <= set(lines)
    assert max(lines.values(), default=1) <= damaged.count("\n") + 1


@pytest.mark.parametrize("text", ["[", "a", "a = [", "a = {b", "=", "[[x]", '"', "a = [}", "a..b = 1"])
def test_what_is_no_toml_ends_all_the_same(text: str) -> None:
    assert isinstance(key_lines_of(text), dict)
