"""Text of others on the screen: printable, and one cell each character."""

from __future__ import annotations

import pytest
from rich.cells import cell_len

from monitor.tui.cells import inert


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
    assert inert(text) == shown
    assert cell_len(shown) == len(shown)
