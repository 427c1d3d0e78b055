"""What every view is: a question, the pane that has the keys, hints for the key line, and a way to draw itself."""

from __future__ import annotations

import math
from typing import ClassVar

from textual.containers import Container
from textual.message import Message

from .feed import Feed
from .line_pane import LinePane
from .palette import Look
from .view_keys import Hints

__all__ = ["ScreenView", "View"]


class ScreenView(Container):
    """One of the screens within the screen; its `NAME` is shown above, in lower case it is its id."""

    NAME: ClassVar[str]
    QUESTION: ClassVar[str]
    REFRESHES: ClassVar[float] = math.inf
    """Refreshes per second at most: where much changes, more is not read, and costs bytes."""

    class Note(Message):
        """Something to tell the user for a few seconds."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Acted(Message):
        """Something was done that may show in every line of the screen."""

    def __init__(self, look: Look) -> None:
        super().__init__(id=self.NAME.lower())
        self.look = look

    @property
    def owner(self) -> LinePane:
        """The pane that has the keys."""
        raise NotImplementedError

    @property
    def hints(self) -> Hints:
        raise NotImplementedError

    def draw(self, *, fresh: bool) -> None:
        """Show what is known; `fresh` where the link was read since the last time."""
        raise NotImplementedError

    def read_events(self) -> None:
        """Called at each tick, whether the view is open or not."""

    def forget(self) -> None:
        """What comes next is from elsewhere in a capture."""


class View(ScreenView):
    """A view of one link, through the feed that reads it."""

    def __init__(self, look: Look, feed: Feed) -> None:
        super().__init__(look)
        self.feed = feed
