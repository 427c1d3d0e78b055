"""What is on the link: the hyperframe, the word under the cursor, all planes, and the level of the IQ data."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Container

from .feed import Feed
from .inspector import Inspector, Levels, PlaneTable
from .iq_view import IqChoice, IqPage
from .line_pane import LinePane
from .matrix import Matrix
from .palette import Look
from .view import View
from .view_keys import IQ_HINTS, LINK_HINTS, Hints

__all__ = ["LinkView"]


class LinkView(View):
    """The hyperframe with its details beside or below, or the IQ data in its place."""

    NAME = "Link"
    QUESTION = "what is on the link?"
    REFRESHES: ClassVar[float] = 4.0

    def __init__(self, look: Look, feed: Feed, iq_map: str | None) -> None:
        super().__init__(look, feed)
        iq_choice = IqChoice(iq_map)
        self.matrix = Matrix(look)
        self.inspector = Inspector(look, id="inspector")
        self.plane_table = PlaneTable(look, id="planes")
        self.levels = Levels(look, iq_choice, id="levels")
        self.iq_page = IqPage(look, iq_choice)
        self.beside = Container(self.inspector, self.plane_table, self.levels, id="beside")

    def compose(self) -> ComposeResult:
        yield self.iq_page
        yield self.matrix
        yield self.beside

    def on_mount(self) -> None:
        self.iq_page.display = False

    @property
    def owner(self) -> LinePane:
        return self.iq_page if self.iq_page.display else self.matrix

    @property
    def hints(self) -> Hints:
        return IQ_HINTS if self.iq_page.display else LINK_HINTS

    def toggle_iq(self) -> None:
        """The IQ data in the place of the hyperframe, or the hyperframe again."""
        self.iq_page.display = not self.iq_page.display
        self.matrix.display = self.beside.display = not self.iq_page.display

    @property
    def stacked(self) -> bool:
        """Whether the hyperframe lies above its details, as framefray.tcss has it for wide and tall screens."""
        classes = self.screen.classes
        return bool({"-wide", "-ultra"} & classes) and "-tall" in classes

    def draw(self, *, fresh: bool) -> None:
        snapshot = self.feed.snapshot
        if self.iq_page.display:
            self.iq_page.update(snapshot)
            return
        self.matrix.lay_out(snapshot, self.size, above=self.stacked)
        if fresh:
            self.matrix.update(snapshot, self.feed.errors_by_plane)
        self.inspector.update(snapshot, self.matrix.ns, self.matrix.xs)
        self.plane_table.update(self.feed)
        self.levels.update(snapshot)

    def forget(self) -> None:
        self.matrix.forget()

    def on_matrix_moved(self, message: Matrix.Moved) -> None:
        self.inspector.update(self.feed.snapshot, self.matrix.ns, self.matrix.xs)
