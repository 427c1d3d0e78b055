"""Which segment is it: all boards of a site in a line, every segment's state, and what is known of the chosen one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.segment import Segment as Cells
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message

from decoders.events import Plane

from ..site.site import LinkState, Site, SiteLink
from ..text import counted
from .cells import fit, fit_middle, inert_cells, wrapped
from .line_pane import Line, LinePane
from .palette import NAMES, SHORT_NAMES, Look
from .site_chain import ChainRow, amount_text, chain_rows, delay_text, remote_alarms, row_lines
from .view import ScreenView
from .view_keys import SITE_HINTS, Hints

__all__ = ["SitePane", "SiteView"]

_MOST_FINDINGS = 6
_HEARD = (LinkState.UP, LinkState.NO_SYNC, LinkState.ENDED)
_BELOW = 2
"""Lines below the drawing, at least: of the chosen link, and the first finding where there is one."""


class SitePane(LinePane, can_focus=True):
    """The drawing, with a cursor on one direction of one segment; below it the chosen link and the findings."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "step(-1)", "previous segment", id="site.up"),
        Binding("down", "step(1)", "next segment", id="site.down"),
        Binding("left", "lane(0)", "its downlink", id="site.left"),
        Binding("right", "lane(1)", "its uplink", id="site.right"),
        Binding("home", "step(-1000)", "first segment", id="site.home"),
        Binding("end", "step(1000)", "last segment", id="site.end"),
        Binding("enter", "open", "open the views of this link; esc or 5 comes back", id="site.open"),
    ]

    class Opened(Message):
        """A link is to be shown by itself; None where nothing is watched there."""

        def __init__(self, link: SiteLink | None) -> None:
            super().__init__()
            self.link = link

    def __init__(self, look: Look, site: Site) -> None:
        super().__init__(look, id="site-pane")
        self.site = site
        self.rows: tuple[ChainRow, ...] = chain_rows(site)
        self._stops = [number for number, row in enumerate(self.rows) if row.lanes]
        self._at = 0
        self._lane = 0
        self._top = 0
        first = next(
            (
                (i, n)
                for i, stop in enumerate(self._stops)
                for n, each in enumerate(self.rows[stop].lanes)
                if each
            ),
            None,
        )
        if first is not None:
            self._at, self._lane = first

    @property
    def chosen(self) -> SiteLink | None:
        """The link under the cursor; None where nothing is watched there."""
        lanes = self.rows[self._stops[self._at]].lanes
        return lanes[min(self._lane, len(lanes) - 1)]

    def choose(self, name: str) -> None:
        """Put the cursor on the link of this name, where there is one."""
        for at, stop in enumerate(self._stops):
            for lane, link in enumerate(self.rows[stop].lanes):
                if link is not None and link.name == name:
                    self._at, self._lane = at, lane
        self.update()

    def action_step(self, by: int) -> None:
        self._at = min(max(self._at + by, 0), len(self._stops) - 1)
        self.update()

    def action_lane(self, lane: int) -> None:
        self._lane = lane
        self.update()

    def action_open(self) -> None:
        self.post_message(self.Opened(self.chosen))

    # --- drawing ------------------------------------------------------------------------------------------

    def update(self) -> None:
        """Draw."""
        width, height = self.size.width, self.size.height
        if not width or not height:
            return
        findings = self._finding_lines(width)
        room = max(height - 1 - _BELOW, 1)
        rows = self._rows_of_a_segment(room)
        body, cursor = self._body(width, rows)
        self._top = (
            0 if len(body) <= room else min(max(self._top, cursor + rows + 1 - room), max(cursor - 1, 0))
        )
        shown = body[self._top : self._top + room]
        left = height - 1 - len(shown)
        details = self._detail_lines(width, left - min(len(findings), 1))
        findings = findings[: max(left - len(details), 1)]
        details = details[: left - len(findings)]
        gap = left - len(details) - len(findings)
        lines = [self._head_line(width, hidden=len(body) - len(shown)), *shown]
        lines += [()] * min(max(gap, 0), 1) + details
        self.show([*lines, *findings][:height])

    def _rows_of_a_segment(self, room: int) -> int:
        """As many lines as fit for every segment, 3 at most."""
        segments = sum(1 for row in self.rows if row.lanes and not row.sole)
        others = len(self.rows) - segments
        return next((n for n in (3, 2) if others + n * segments <= room), 1)

    def _body(self, width: int, rows: int) -> tuple[list[Line], int]:
        """All lines of the drawing, and which of them the cursor is on."""
        body: list[Line] = []
        cursor = 0
        here = self._stops[self._at]
        for number, row in enumerate(self.rows):
            lane = None
            if number == here:
                cursor, lane = len(body), min(self._lane, len(row.lanes) - 1)
            body += row_lines(row, width, rows, self.look, lane)
        return body, cursor

    def _head_line(self, width: int, *, hidden: int) -> Line:
        sole = all(row.sole for row in self.rows if row.lanes)
        left, right = (
            ("  received", "") if sole else ("  downlink, at the lower board", "uplink, at the upper board  ")
        )
        middle = f"{hidden} more lines" if hidden else ""
        side = (width - len(middle)) // 2
        text = f"{left:<{side}}{middle}"
        return (Cells(text + right.rjust(width - len(text)), self.look.quiet),)

    def _detail_lines(self, width: int, room: int) -> list[Line]:
        """What is known of the chosen link, the most important first; without its source where there is no room."""
        look, link = self.look, self.chosen
        if link is None:
            row = self.rows[self._stops[self._at]]
            text = f" {inert_cells(row.board)}: the plan of the site has no source for this direction"
            return [(Cells(fit(text, width), look.strong),)]
        source = inert_cells(link.snapshot.source)
        head = f" {link.name}  "
        if room < 2:
            facts = inert_cells(link.why) or ", ".join(_facts(link))
            return [
                (
                    Cells(fit(head, width), look.strong),
                    Cells(fit(facts, max(width - len(head), 0)), look.text),
                )
            ]
        lines: list[Line] = [
            (
                Cells(fit(head, width), look.strong),
                Cells(fit_middle(source, max(width - len(head) - 1, 0)), look.text),
            )
        ]
        if link.other_name:
            text = f"! the board calls itself {inert_cells(link.other_name)}, the plan {link.board}: the wrong cable?"
            lines.append((Cells(fit(f" {text}", width), look.bad),))
        if link.why:
            lines += [
                (Cells(f" ! {part}", look.bad),) for part in wrapped(inert_cells(link.why), width - 4)[:2]
            ]
        lines += [(Cells(f" {part}", look.text),) for part in wrapped(", ".join(_facts(link)), width - 2)]
        return lines

    def _finding_lines(self, width: int) -> list[Line]:
        lines: list[Line] = []
        for text in self.site.findings[:_MOST_FINDINGS]:
            lines.append((Cells(fit(f" {inert_cells(text)}", width), self.look.bad),))
        return lines


def _facts(link: SiteLink) -> list[str]:
    """Of one link, in words; what may be cut stands last."""
    snapshot = link.snapshot
    facts = []
    if link.known:
        local = [word for word, on in (("LOS", snapshot.los), ("LOF", snapshot.lof)) if on]
        facts.append(
            f"local {' '.join(local) or 'no alarm'}, remote {' '.join(remote_alarms(snapshot)) or 'no alarm'}"
        )
    since = "since mark" if link.link.since_mark.at else "since start"
    errors = [f"{NAMES[plane]} {counted(number, 'error')}" for plane, number in link.errors_by_plane.items()]
    if link.known:
        facts.append(f"{', '.join(errors) or 'no errors'} {since}")
    if link.delay_ns is not None:
        facts.append(f"the board counts {link.delay_ns:.1f} ns")
    facts.append(amount_text(link) or "nothing decoded yet")
    if link.planned is not None and link.planned.one_way_ns is not None:
        facts.append(f"cable {delay_text(link.planned.one_way_ns)} one way by its length")
    if link.link.deaths:
        facts.append(f"its decoder has ended {counted(link.link.deaths, 'time')}")
    return facts


class SiteView(ScreenView):
    """The pane alone."""

    NAME = "Site"
    QUESTION = "which segment is it?"
    REFRESHES: ClassVar[float] = 5.0

    def __init__(self, look: Look, site: Site) -> None:
        super().__init__(look)
        self.pane = SitePane(look, site)

    def compose(self) -> ComposeResult:
        yield self.pane

    @property
    def owner(self) -> SitePane:
        return self.pane

    @property
    def hints(self) -> Hints:
        return SITE_HINTS

    def draw(self, *, fresh: bool) -> None:
        self.pane.update()


def site_lines(site: Site, look: Look, width: int) -> tuple[Line, Line]:
    """Below the names of the views: how many links are in which state, and the errors of all of them."""
    states: dict[str, int] = {}
    for link in site.links:
        states[str(link.state)] = states.get(str(link.state), 0) + 1
    well = set(states) <= {"in sync"} and not any(link.other_name for link in site.links)
    text = ", ".join(f"{number} {word}" for word, number in states.items())
    head = f" {'+' if well else '!'} {counted(len(site.links), 'link')}: {text}"
    first = (Cells(fit(head, width), look.good if well else look.strong),)
    return first, _error_line(site, look, width)


def _error_line(site: Site, look: Look, width: int) -> Line:
    """Errors of all links; how many links that is, where nothing is known of some or nothing comes on them."""
    errors, links = site.errors_since_mark, site.links
    heard = sum(1 for link in links if link.known and link.state in _HEARD)
    if not any(link.known for link in links):
        return (Cells(" - errors -", look.quiet),)
    marked = any(link.link.since_mark.at for link in links)
    glyph = "!" if errors else "+" if heard == len(links) else "?"
    words = f" {glyph} {counted(errors, 'error')} {'since mark' if marked else 'since start'}"
    if heard < len(links):
        words += f", {heard} of {len(links)} links heard"
    style = look.alarm if errors else look.good if glyph == "+" else look.strong
    line: list[Cells] = [Cells(fit(words, width), style)]
    by_plane = _sum_by_plane(links)
    if by_plane:
        rest = ", ".join(f"{SHORT_NAMES[plane]} {number}" for plane, number in by_plane.items())
        line.append(Cells(fit(f"  {rest}", max(width - len(words), 0)), look.bad))
    return tuple(line)


def _sum_by_plane(links: Sequence[SiteLink]) -> dict[Plane, int]:
    total: dict[Plane, int] = {}
    for link in links:
        for plane, number in link.errors_by_plane.items():
            total[plane] = total.get(plane, 0) + number
    return total
