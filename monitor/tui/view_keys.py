"""Which keys there are: hints for the line at the bottom, names as on a keyboard, and all of them in words.

What a key does stands beside its binding, in the class that acts on it; here is only what is shown of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeAlias

from textual.binding import Binding, BindingType

__all__ = [
    "DELAY_HINTS",
    "EVENTS_HINTS",
    "EVERYWHERE_HINTS",
    "INJECT_HINTS",
    "IQ_HINTS",
    "LINK_HINTS",
    "REPLAY_HINTS",
    "SITE_HINTS",
    "Hints",
    "bindings_of",
    "key_names",
    "keys_in_words",
]

Hints: TypeAlias = tuple[tuple[str, str], ...]
"""Keys as they are told, each with a word or two."""

EVERYWHERE_HINTS: Hints = (("m", "mark"), ("p", "pause"), ("?", "help"), (":", "actions"), ("q", "quit"))
LINK_HINTS: Hints = (("arrows", "move"), ("letters", "plane"), ("i", "IQ"))
IQ_HINTS: Hints = (("left/right", "AxC"), ("i", "hyperframe"))
EVENTS_HINTS: Hints = (
    ("f", "follow"),
    ("space", "hold"),
    ("enter", "open"),
    ("w/y", "write/copy"),
    ("n/N", "errors"),
    ("b", "errors only"),
    ("letters", "plane on/off"),
    ("a", "all"),
)
INJECT_HINTS: Hints = (
    ("up/down", "choose"),
    ("letters", "plane"),
    ("enter", "inject"),
    ("x", "repeat"),
    ("+/-", "more/less often"),
    ("pgup/pgdn", "counters"),
)
DELAY_HINTS: Hints = (
    ("enter", "start"),
    ("space", "stop"),
    ("left/right", "number of resets"),
    ("c", "compensation"),
    ("up/down", "table"),
)
SITE_HINTS: Hints = (("arrows", "choose"), ("enter", "open the link"))
REPLAY_HINTS: Hints = (
    ("space", "play/pause"),
    ("left/right", "step"),
    ("pgup/pgdn", "jump"),
    ("up/down", "speed"),
    ("e/E", "next/previous error"),
    ("g", "go to"),
)

_NAMES = {
    "question_mark": "?",
    "colon": ":",
    "plus": "+",
    "minus": "-",
    "pageup": "pgup",
    "pagedown": "pgdn",
    "escape": "esc",
}


def bindings_of(bindings: Iterable[BindingType]) -> Iterator[Binding]:
    """Those that are shown."""
    return (binding for binding in bindings if isinstance(binding, Binding) and binding.show)


def key_names(binding: Binding) -> str:
    """The keys of a binding as they are on the keyboard."""
    return ", ".join(_NAMES.get(key, key) for key in binding.key.split(","))


def keys_in_words(bindings: Iterable[BindingType]) -> list[tuple[str, str]]:
    """Each key as it is on the keyboard, and what it does."""
    return [(key_names(binding), binding.description) for binding in bindings_of(bindings)]
