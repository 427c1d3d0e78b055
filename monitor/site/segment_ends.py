"""The two boards at the ends of one segment of a planned site, each with the source of its port there."""

from __future__ import annotations

from collections.abc import Sequence

from ..errors import InputError
from ..sources.names import Segment
from .plan import SitePlan, is_site_file, read_site_plan

__all__ = ["segment_ends", "words_of_ends"]


def words_of_ends(words: Sequence[str], one: str | None, other: str | None = None) -> Sequence[str]:
    """`NAME=SOURCE` for both ends where the only word is a site file; the words themselves where it is none."""
    if len(words) != 1 or not is_site_file(words[0]):
        return words
    try:
        return segment_ends(read_site_plan(words[0]), one, other)
    except InputError as error:
        text = str(error)
        raise InputError(text if text.startswith(words[0]) else f"{words[0]}: {text}") from None


def segment_ends(plan: SitePlan, one: str | None, other: str | None = None) -> tuple[str, str]:
    """`NAME=SOURCE` of `one` and of its neighbour `other`, or its only one; of the only segment if none is named.

    InputError where the site has no such segment, or an end has no source there.
    """
    if one is None:
        if len(plan.segments) != 1:
            raise InputError(
                f"the site has {len(plan.segments)} segments", hint="name both boards: NAME=SOURCE"
            )
        one, other = plan.segments[0].sender, plan.segments[0].receiver
    names = [board.name for board in plan.boards]
    for name in (one, other):
        if name is not None and name not in names:
            raise InputError(f"there is no board {name!r}", hint=f"the boards are {', '.join(names)}")
    upstream = plan.upstream(one)
    neighbours = [*([] if upstream is None else [upstream]), *plan.downstream(one)]
    if other is None:
        if len(neighbours) != 1:
            hint = f"--observe-at {' or '.join(neighbours)}" if neighbours else "add [[segments]]"
            raise InputError(f"{one} has {len(neighbours)} neighbours", hint=hint)
        other = neighbours[0]
    if other not in neighbours:
        raise InputError(f"no segment joins {one} and {other}")
    return _end(plan, one, other), _end(plan, other, one)


def _end(plan: SitePlan, board: str, neighbour: str) -> str:
    """`NAME=SOURCE` of what a board receives from its neighbour."""
    segment = Segment(neighbour, board)
    for point in plan.points:
        if point.segment == segment:
            return f"{board}={point.source}"
    raise InputError(f"{board} has no source for what it receives from {neighbour}")
