"""What a board must be allowed first: the question, and the answer for this session."""

from __future__ import annotations

from collections.abc import Callable

from textual.app import App

from ..sources.source import GuardedSource
from .pages import AskPage
from .palette import Look

__all__ = ["ask_first"]


def ask_first(app: App[int], look: Look, source: object, what: str, then: Callable[[], None]) -> bool:
    """Whether the question had to be put; `then` follows a yes."""
    if not isinstance(source, GuardedSource) or source.allow:
        return False

    def allow() -> None:
        source.allow = True
        then()

    text = (
        f"{source.description}: {what}.",
        "If its output reaches other equipment, an antenna or an open fibre, make sure first that this is allowed. "
        "Local rules, and the instructions of the equipment, have priority over this program.",
        "y allows faults and resets of this board until the program ends; esc leaves everything as it is.",
    )
    app.push_screen(AskPage(look, text, allow))
    return True
