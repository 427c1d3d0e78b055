"""The boards of a site in a line, drawn down the screen: downlink on the left of it, uplink on the right.

A tree is drawn as its chains, one below the other; a chain that leaves another one begins with the board where it
does. Between two boards lies a segment: what the lower board receives stands on the left, what the upper one receives
on the right, and what both have in common between them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.segment import Segment as Cells

from decoders.events import Alarm, Plane

from ..links.snapshot import Snapshot
from ..site.plan import PlannedSegment
from ..site.site import LinkState, Site, SiteLink
from ..sources.names import Segment
from .cells import count, fit, inert_cells, lasting
from .line_pane import Line, cells
from .palette import LETTERS, Look

__all__ = ["ChainRow", "chain_rows", "delay_text", "lane_lines", "remote_alarms", "row_lines"]

_REMOTE = (Alarm.LOS, Alarm.LOF, Alarm.RAI, Alarm.SDI, Alarm.RESET)
_GLYPHS = {
    LinkState.OPENING: "-",
    LinkState.UP: "+",
    LinkState.NO_SYNC: "!",
    LinkState.SILENT: "?",
    LinkState.DOWN: "!",
    LinkState.ENDED: "-",
    LinkState.FAILED: "!",
}
MIDDLE = 26
"""Cells between the two directions at 80 columns."""


@dataclass(frozen=True, slots=True)
class ChainRow:
    """A board (`lanes` empty), or a segment with the link of each direction, None where nothing is watched.

    `branch`: the board stands above already. `sole`: a board whose neighbours are not known, with its one link.
    """

    board: str
    lanes: tuple[SiteLink | None, ...] = ()
    planned: PlannedSegment | None = None
    branch: bool = False
    sole: bool = False


def chain_rows(site: Site) -> tuple[ChainRow, ...]:
    """Boards and segments from the REC down."""
    return tuple(row for root in site.plan.roots for row in _rows_from(site, root))


def _rows_from(site: Site, board: str) -> Iterator[ChainRow]:
    below = site.plan.downstream(board)
    if not below and site.plan.upstream(board) is None:
        yield ChainRow(board, (site.named(board),), sole=True)
        return
    yield ChainRow(board)
    for number, other in enumerate(below):
        if number:
            yield ChainRow(board, branch=True)
        down = Segment(board, other)
        links = (site.named(down.name), site.named(down.reverse.name))
        yield ChainRow(other, links, site.plan.segment(board, other))
        yield from _rows_from(site, other)


def remote_alarms(snapshot: Snapshot) -> list[str]:
    """Alarms that the other end sends."""
    if snapshot.control is None:
        return []
    return [alarm.value.upper() for alarm in _REMOTE if snapshot.remote(alarm.value)]


def state_cells(link: SiteLink, look: Look) -> list[Cells]:
    """Glyph and word; without sync the local alarm is the word, and for how long where nothing comes."""
    state, snapshot, silent = link.state, link.snapshot, link.silent_s
    word, glyph = str(state), _GLYPHS[state]
    if state is LinkState.NO_SYNC and not link.known:
        word, glyph = "no sync yet", "-"
    elif state is LinkState.NO_SYNC:
        word = "LOS LOF" if snapshot.los else "LOF"
    elif state is LinkState.ENDED and link.known and snapshot.sync_state != "HFNSYNC":
        word = "ended, LOF"
    elif silent is not None and state is not LinkState.FAILED:
        word = f"{word} {lasting(silent)}"
    if link.other_name:
        word, glyph = f"{word} as {fit(inert_cells(link.other_name), 8)}", "!"
    style = {"+": look.good, "!": look.alarm}.get(glyph, look.strong)
    return [Cells(f"{glyph} {word}", style)]


def error_cells(link: SiteLink, width: int, look: Look) -> list[Cells]:
    """Errors since the mark by the letter of each plane, or their sum where there is no room for that."""
    if not link.known:
        return [Cells(fit("errors -", width), look.quiet)]
    by_plane = link.errors_by_plane
    if not by_plane:
        return [Cells(text, look.quiet) for text in ("no errors", "0") if len(text) <= width][:1]
    told = [(plane, f"{LETTERS[plane]}{count(by_plane[plane], 5)}") for plane in Plane if plane in by_plane]
    if sum(len(text) + 1 for _, text in told) - 1 > width:
        total = count(sum(by_plane.values()), 5)
        return [Cells(text, look.bad) for text in (f"{total} errors", f"{total} err") if len(text) <= width][
            :1
        ]
    out: list[Cells] = []
    for plane, text in told:
        out += [
            Cells(" " if out else "", look.text),
            Cells(text[0], look.badge(plane)),
            Cells(text[1:], look.bad),
        ]
    return out


def remote_cells(link: SiteLink, look: Look, *, short: bool = False) -> list[Cells]:
    """Alarms of the other end by name, or how many there are; of a link that brings nothing they are not known."""
    remote = remote_alarms(link.snapshot)
    if not remote or link.silent_s is not None:
        return []
    return [
        Cells(" remote ", look.quiet),
        Cells(f"!{len(remote)}" if short else " ".join(remote), look.alarm),
    ]


def lane_lines(link: SiteLink | None, width: int, rows: int, look: Look, *, chosen: bool) -> list[Line]:
    """One direction of a segment in `rows` lines of `width` cells."""
    mark = ">" if chosen else " "
    if link is None:
        first = [Cells(f"{mark}  not watched", look.cursor if chosen else look.quiet)]
        return [_padded(first, width, look), *[_padded([], width, look)] * (rows - 1)]
    first = [Cells(mark, look.cursor if chosen else look.text), *state_cells(link, look)]
    if rows == 1:
        for short in (False, True):  # errors are not left out for the names of alarms
            whole = [*first, *remote_cells(link, look, short=short)]
            apart = " " if short else "  "
            errors = error_cells(link, width - cells(tuple(whole)) - len(apart), look)
            if errors:
                break
        return [_cut([*whole, Cells(apart, look.text), *errors], width, look)]
    first += remote_cells(link, look)
    second = [Cells("   ", look.text), *error_cells(link, width - 4, look)]
    lines = [_cut(first, width, look), _cut(second, width, look)]
    if rows > 2:
        delay = "" if link.delay_ns is None else f"delay {link.delay_ns:.1f} ns  "
        lines.append(_cut([Cells(f"   {delay}{amount_text(link)}", look.quiet)], width, look))
    return [*lines, *[_padded([], width, look)] * (rows - len(lines))]


def amount_text(link: SiteLink) -> str:
    """Hyperframes decoded and lost."""
    snapshot = link.snapshot
    lost = snapshot.hyperframes_missed - snapshot.hyperframes_not_received
    return f"decoded {snapshot.hyperframes}" + (f" lost {lost}" if lost else "") if link.known else ""


def _padded(line: Sequence[Cells], width: int, look: Look) -> Line:
    return (*line, Cells(" " * max(width - cells(tuple(line)), 0), look.text))


def _cut(line: Sequence[Cells], width: int, look: Look) -> Line:
    """Exactly `width` cells; what is cut is marked."""
    if cells(tuple(line)) <= width:
        return _padded(line, width, look)
    out: list[Cells] = []
    left = width
    for each in line:
        if len(each.text) >= left:
            out.append(Cells(fit(each.text + " ", left), each.style))
            break
        out.append(each)
        left -= len(each.text)
    return _padded(out, width, look)


def option_text(row: ChainRow) -> str:
    """The option of both directions as received, with a mark where that is not the planned one; `-` before any."""
    planned = None if row.planned is None else row.planned.option
    seen = sorted({link.snapshot.option for link in row.lanes if link is not None and link.link.opened})
    if not seen:
        return planned or "-"
    text = "/".join(seen)
    if planned is not None and seen != [planned]:
        return f"{text} !plan {planned}"
    return text if len(seen) == 1 else f"!{text}"


def delay_text(nanoseconds: float) -> str:
    """A delay in ns, or in µs from ten of them on."""
    return f"{nanoseconds:.0f} ns" if nanoseconds < 10_000 else f"{nanoseconds / 1000:.1f} µs"


def _between(row: ChainRow, width: int, rows: int) -> list[str]:
    """Option, length and planned delay of a segment, centred in each of `rows` lines."""
    option, planned = option_text(row), row.planned
    parts = [f"option {option}"]
    if planned is not None and planned.length_m is not None and planned.one_way_ns is not None:
        parts += [f"{planned.length_m:g} m", delay_text(planned.one_way_ns)]
    if rows == 1:
        whole = "  ".join(parts)
        short = f"opt {option}"
        texts = [whole, "  ".join([short, *parts[1:]]), "  ".join([short, *parts[1:2]]), parts[0], short]
        lines = [next((text for text in texts if len(text) <= width), fit(option, width))]
    else:
        lines = [fit(parts[0], width), fit("  ".join(parts[1:]), width)]
    return [text.center(width) for text in [*lines, *[""] * (rows - len(lines))][:rows]]


def row_lines(row: ChainRow, width: int, rows: int, look: Look, lane: int | None) -> list[Line]:
    """A board in one line, or a segment in `rows`; `lane` is the direction under the cursor."""
    middle = MIDDLE + 2 * ((width - 80) // 10) if width > 80 else MIDDLE
    side = (width - middle) // 2
    middle = width - 2 * side
    if not row.lanes:
        name = f"[ {fit(inert_cells(row.board), middle - 6)} ]"
        text = f"{name} branch" if row.branch else name
        indent = " " * (side + (middle - len(name)) // 2)
        return [(Cells(indent, look.text), Cells(text, look.quiet if row.branch else look.strong))]
    if row.sole:
        whole = lane_lines(row.lanes[0], side + 8, 1, look, chosen=lane == 0)[0]
        name = f"[ {fit(inert_cells(row.board), width - side - 16)} ]"
        return [(*whole, Cells(" > ", look.quiet), Cells(name, look.strong))]
    left, right = (
        lane_lines(link, side, rows, look, chosen=lane == number) for number, link in enumerate(row.lanes)
    )
    lines = []
    for number, text in enumerate(_between(row, middle - 4, rows)):
        style = look.alarm if "!" in text else look.text
        line = [
            *left[number],
            Cells("v|", look.quiet),
            Cells(text, style),
            Cells("|^", look.quiet),
            *right[number],
        ]
        lines.append(tuple(line))
    return lines
