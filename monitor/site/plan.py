"""The plan of a site in TOML: boards with their sources, and the segments between them.

    name = "Saltmarsh"
    option = "2"                  # of every segment that states none; needed where a length is given

    [[boards]]
    name = "REC-A"
    source = "socket://10.0.0.7:4700"   # what REC-A gets from its first RE

    [[boards]]
    name = "RE-1"
    source = "recordings/re-1.ffcap"    # what RE-1 gets from its upstream neighbour
    [boards.sources]
    RE-2 = "/dev/ttyUSB0"               # what RE-1 gets from RE-2 on a port of its own

    [[segments]]                  # both directions of one line; `from` is the end that is nearer to the REC
    from = "REC-A"
    to = "RE-1"
    length_m = 120                # and every other key of a head in a plan of delays

A capture's name counts from the folder of the site file. A board may have no source; then nothing is watched there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from decoders.link_delay.hops import Budget, RadioHead

from ..delay.hop_plans import HEAD_KEYS, HopPlan, head_option, plan_budget, radio_head
from ..errors import InputError
from ..sources.names import Segment, SourceKind, check_emulated, is_emulated, is_node_name, source_kind
from ..toml_plans.plan_table import PlanTable, nearest_name, parse_plan_text, read_plan_octets

__all__ = [
    "PlannedBoard",
    "PlannedSegment",
    "SitePlan",
    "SitePoint",
    "is_site_file",
    "parse_site_plan",
    "plan_of_sources",
    "read_site_plan",
]

MOST_BOARDS = 64
_MOST_SOURCE = 1000
"""Characters of a SOURCE."""
_TOP_KEYS = ("name", "option", "budget", "budget_ns", "buffer_step_ns", "boards", "segments")
_BOARD_KEYS = ("name", "source", "sources", "form", "option", "baud")
_FORMS = ("octets", "flagged", "symbols", "bits", "blocks", "hex")


@dataclass(frozen=True, slots=True)
class SitePoint:
    """One source of a site: what `board` receives on `segment` (None where its other end is not known).

    `name` is the segment's, `SENDER>RECEIVER`, or the board's where there is no segment.
    """

    board: str
    source: str
    segment: Segment | None = None
    form: str | None = None
    option: str | None = None
    baud: int | None = None

    @property
    def name(self) -> str:
        return self.board if self.segment is None else self.segment.name


@dataclass(frozen=True, slots=True)
class PlannedBoard:
    """A board; `source` None where it has no monitor port, `sources` by neighbour for further ports."""

    name: str
    source: str | None
    sources: Mapping[str, str]
    form: str | None = None
    option: str | None = None
    baud: int | None = None


@dataclass(frozen=True, slots=True)
class PlannedSegment:
    """The line between two boards, both directions; `sender` is nearer to the REC.

    `head` is the receiver with the link to it as in a plan of delays, None where the plan states no length.
    """

    sender: str
    receiver: str
    option: str | None = None
    head: RadioHead | None = None

    @property
    def downlink(self) -> Segment:
        return Segment(self.sender, self.receiver)

    @property
    def length_m(self) -> float | None:
        return None if self.head is None else self.head.length_m

    @property
    def one_way_ns(self) -> float | None:
        """Delay of the cable or fibre alone, by its length."""
        return None if self.head is None else self.head.cable_ns


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A site as planned: `boards` in the order of the file, `segments` without a loop."""

    name: str
    boards: tuple[PlannedBoard, ...]
    segments: tuple[PlannedSegment, ...] = ()
    budget: Budget | None = None
    buffer_step_ns: float = 0.0

    @property
    def points(self) -> tuple[SitePoint, ...]:
        """Every source of the site, board by board."""
        return tuple(point for board in self.boards for point in self._points_of(board))

    def _points_of(self, board: PlannedBoard) -> Iterator[SitePoint]:
        first = self.first_neighbour(board.name)
        pairs = [] if board.source is None else [(first, board.source)]
        for neighbour, source in (*pairs, *board.sources.items()):
            segment = None if neighbour is None else Segment(neighbour, board.name)
            yield SitePoint(board.name, source, segment, board.form, board.option, board.baud)

    def upstream(self, board: str) -> str | None:
        """The neighbour that is nearer to the REC; None for a REC and for a board without segments."""
        return next((each.sender for each in self.segments if each.receiver == board), None)

    def downstream(self, board: str) -> tuple[str, ...]:
        """The neighbours farther from the REC, in the order of the file."""
        return tuple(each.receiver for each in self.segments if each.sender == board)

    def first_neighbour(self, board: str) -> str | None:
        """The neighbour on the board's own `source`: the upstream one, for a REC its first RE."""
        return self.upstream(board) or next(iter(self.downstream(board)), None)

    @property
    def roots(self) -> tuple[str, ...]:
        """Boards that no segment leads to: the RECs, and boards whose neighbours are not known."""
        return tuple(board.name for board in self.boards if self.upstream(board.name) is None)

    def segment(self, one: str, other: str) -> PlannedSegment | None:
        """The segment between two boards, whichever is nearer to the REC."""
        ends = {one, other}
        return next((each for each in self.segments if {each.sender, each.receiver} == ends), None)

    def is_downlink(self, segment: Segment) -> bool:
        """Whether a segment leads away from the REC; InputError where the site has no such segment."""
        planned = self.segment(segment.sender, segment.receiver)
        if planned is None:
            raise InputError(f"the site has no segment {segment.name}")
        return planned.sender == segment.sender

    def hop_plan(self) -> HopPlan | None:
        """The site as a plan of delays; None where a length is missing, or where there is not one REC."""
        heads = [each.head for each in self.segments if each.head is not None]
        recs = {each.sender for each in self.segments} - {each.receiver for each in self.segments}
        if self.budget is None or len(recs) != 1 or len(heads) != len(self.segments):
            return None
        return HopPlan(self.name, recs.pop(), tuple(heads), self.budget, self.buffer_step_ns)


def is_site_file(text: str) -> bool:
    """Whether a word names a site file."""
    return text.lower().endswith(".toml") and "=" not in text


def read_site_plan(name: str) -> SitePlan:
    """The plan in a file; InputError names the file, the line and the key."""
    text = read_plan_octets(name)
    try:
        return parse_site_plan(text, Path(name).parent)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def parse_site_plan(text: str, folder: Path | None = None) -> SitePlan:
    """A plan from its text; captures lie in `folder`. InputError names the line and the key."""
    top = parse_plan_text(text)
    top.only(*_TOP_KEYS)
    tables = top.tables("boards", MOST_BOARDS)
    if not tables:
        raise InputError("the site has no [[boards]]")
    boards: list[PlannedBoard] = []
    for table in tables:
        board = _board(table, folder)
        if board.name in {each.name for each in boards}:
            raise table.mistake("name", f"name {board.name!r} is there twice")
        boards.append(board)
    segments = _segments(top, boards)
    budget, step = plan_budget(top), top.number("buffer_step_ns", 0.0)
    plan = SitePlan(top.text("name", "site"), tuple(boards), segments, budget, step)
    _check_ports(plan, tables)
    if not plan.points:
        raise tables[0].mistake("source", "no board has a source")
    return plan


def plan_of_sources(sources: Sequence[tuple[str | None, str]]) -> SitePlan:
    """A site of named sources without segments; the third source, where it has no name, is called `link-3`.

    InputError where a name or a serial line is there twice, and for standard input.
    """
    boards: list[PlannedBoard] = []
    for number, (name, source) in enumerate(sources):
        if source == "-":
            raise InputError("standard input cannot be one of several sources", hint="watch it alone")
        name = name or f"link-{number + 1}"
        if name in {board.name for board in boards}:
            raise InputError(f"the name {name} is there twice")
        boards.append(PlannedBoard(name, source, {}))
    if len(boards) > MOST_BOARDS:
        raise InputError(f"{len(boards)} sources; {MOST_BOARDS} at most")
    _check_lines((board.name, board.source or "") for board in boards)
    return SitePlan("site", tuple(boards))


def _check_lines(sources: Iterable[tuple[str, str]]) -> None:
    """A serial line is opened once: InputError where two boards have the same."""
    known: dict[str, str] = {}
    for name, source in sources:
        if source and source_kind(source) is SourceKind.LINE:
            if source in known:
                raise InputError(f"{name} and {known[source]} have the same source {source!r}")
            known[source] = name


def _board(table: PlanTable, folder: Path | None) -> PlannedBoard:
    table.only(*_BOARD_KEYS)
    name = table.text("name")
    if not is_node_name(name):
        raise table.mistake("name", f"name {name!r} is not of letters, digits, '.', '_' and '-'")
    option = None
    if "option" in table:
        option = head_option(table, name, table)
    ports = table.table("sources")
    return PlannedBoard(
        name,
        _source(table, "source", folder) if "source" in table else None,
        {neighbour: _source(ports, neighbour, folder) for neighbour in ports.names()},
        table.choice("form", _FORMS) if "form" in table else None,
        option,
        table.whole("baud", low=1, high=100_000_000) if "baud" in table else None,
    )


def _source(table: PlanTable, key: str, folder: Path | None) -> str:
    """A SOURCE that several links at once can read."""
    source = table.text(key, most=_MOST_SOURCE)
    if source == "-":
        raise table.mistake(key, f"{key}: standard input cannot be a source of a site")
    if is_emulated(source):
        try:
            check_emulated(source)
        except InputError as error:
            raise table.mistake(key, f"{key}: {error}") from None
    if folder is not None and source_kind(source) is SourceKind.CAPTURE:
        return str(folder / source)
    return source


def _segments(top: PlanTable, boards: Sequence[PlannedBoard]) -> tuple[PlannedSegment, ...]:
    names = [board.name for board in boards]
    found: dict[str, PlannedSegment] = {}
    for table in top.tables("segments", MOST_BOARDS):
        table.only("from", "to", "option", *HEAD_KEYS)
        ends = []
        for key in ("from", "to"):
            name = table.text(key)
            if name not in names:
                raise table.mistake(key, f"{key}: there is no board {name!r}{nearest_name(name, names)}")
            ends.append(name)
        sender, receiver = ends
        if receiver in found:
            raise table.mistake(
                "to", f"to: two segments lead to {receiver}, from {found[receiver].sender} and {sender}"
            )
        path = [receiver, sender]
        while path[-1] in found:
            path.append(found[path[-1]].sender)
        if receiver in path[1:]:
            loop = " from ".join(path[: path.index(receiver, 1) + 1])
            raise table.mistake("from", f"from: the segments make a loop, {loop}")
        found[receiver] = _segment(table, sender, receiver, top)
    return tuple(found.values())


def _segment(table: PlanTable, sender: str, receiver: str, top: PlanTable) -> PlannedSegment:
    option = head_option(table, receiver, top) if "option" in table or "option" in top else None
    if not set(HEAD_KEYS).intersection(table.names()):
        return PlannedSegment(sender, receiver, option)
    head = radio_head(table, receiver, sender, option or head_option(table, receiver, top))
    return PlannedSegment(sender, receiver, option, head)


def _check_ports(plan: SitePlan, tables: Sequence[PlanTable]) -> None:
    """InputError where a further port leads to no neighbour, or to that of `source`, and for a line read twice."""
    for board, table in zip(plan.boards, tables, strict=True):
        ports = table.table("sources")
        upstream = plan.upstream(board.name)
        neighbours = [*([] if upstream is None else [upstream]), *plan.downstream(board.name)]
        for name in board.sources:
            if name not in neighbours:
                near = nearest_name(name, neighbours)
                raise ports.mistake(name, f"sources: no segment joins {board.name} and {name!r}{near}")
            if board.source is not None and name == plan.first_neighbour(board.name):
                raise ports.mistake(name, f"sources: {name} is there already, it is what `source` receives")
    _check_lines((point.name, point.source) for point in plan.points)
