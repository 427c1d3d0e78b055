"""Keys as they are told: names as on a keyboard, and hints that are keys of their view."""

from __future__ import annotations

from textual.binding import Binding

from monitor.tui.view_keys import key_names, keys_in_words


def test_names_are_those_on_a_keyboard_and_hidden_keys_are_not_told() -> None:
    shown = Binding("question_mark,pageup", "x", "help")
    hidden = Binding("ctrl+c", "x", "interrupt", show=False)
    assert key_names(shown) == "?, pgup"
    assert keys_in_words([shown, hidden, ("a", "b")]) == [("?, pgup", "help")]
