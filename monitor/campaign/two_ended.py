"""From NAME=SOURCE words to two boards that are joined, ready for faults at one of them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress

from ..boards.board import BoardSource
from ..boards.serial_port import DEFAULT_BAUD, SerialLine
from ..errors import InputError
from ..process.asking import permit
from ..process.streams import tell
from ..protocol.records import Loopback
from ..sources.names import is_serial, line_meant, named_source
from .two_ended_bench import TwoEndedBench
from .two_ended_delay import NamedBoard, TwoEndedDelay
from .two_ended_returns import is_controller
from .two_ended_source import End, TwoEnds

__all__ = [
    "HOW",
    "NamedSources",
    "chosen_ends",
    "named_sources",
    "open_named_board",
    "open_two_ended",
    "open_two_ended_delay",
]

NamedSources = Sequence[tuple[str, str]]
MOST_TOFFSET_NS = 1e9
HOW = "name both boards, and the one that transmits the faults: NAME=SOURCE NAME=SOURCE --inject-at NAME"


def named_sources(words: Sequence[str]) -> list[tuple[str, str]]:
    """(name, source) of each word; InputError where one has no name, is no board, or two are the same."""
    out: list[tuple[str, str]] = []
    for word in words:
        name, source = named_source(word)
        if name is None:
            raise InputError(f"{word}: several sources need a name each", hint=HOW)
        if not is_serial(source):
            url = line_meant(source)
            raise InputError(
                f"{name}={source}: a board of a pair is reached by a serial line or URL",
                hint=url and f"a board on the network is {url}",
            )
        for other, taken in out:
            if other == name:
                raise InputError(f"{name}: two boards have this name")
            if _place(taken) == _place(source):
                raise InputError(
                    f"{other} and {name} are the same board: {source}", hint="name the other board"
                )
        out.append((name, source))
    return out


def _place(source: str) -> str:
    """What two words of one port have in common."""
    if "://" not in source:
        return os.path.realpath(source)
    return source.lower().replace("//localhost:", "//127.0.0.1:")


def chosen_ends(
    sources: NamedSources, inject_at: Sequence[str], observe_at: str | None = None
) -> tuple[tuple[str, str], tuple[str, str]]:
    """The board that transmits faults, and the one that is judged; InputError where the words do not say which."""
    names = [name for name, _ in sources]
    if len(set(inject_at)) > 1:
        raise InputError(
            f"--inject-at {' and '.join(inject_at)}: faults go in at one board at a time",
            hint="run the campaign twice, once for each direction",
        )
    if not inject_at:
        raise InputError(
            "it is not said which board transmits the faults", hint=f"--inject-at {' or '.join(names)}"
        )
    near, others = inject_at[0], [name for name in names if name != inject_at[0]]
    for option, name in (("--inject-at", near), ("--observe-at", observe_at)):
        if name is not None and name not in names:
            raise InputError(
                f"{option} {name}: no source has this name", hint=f"the names are {', '.join(names)}"
            )
    if not others:
        raise InputError(f"{near}: the board that receives the faults is not named", hint=HOW)
    if observe_at is None and len(others) > 1:
        raise InputError(
            "it is not said which board receives the faults", hint=f"--observe-at {' or '.join(others)}"
        )
    far = observe_at or others[0]
    if far == near:
        raise InputError(f"--observe-at {far}: is the board that transmits the faults", hint=HOW)
    by_name = dict(sources)
    return (near, by_name[near]), (far, by_name[far])


def open_named_board(
    name: str, source: str, other: str, *, option: str | None, baud: int | None, select: bool = True
) -> BoardSource:
    """A board of a pair; InputError where it is not at this end, or not connected to another one."""
    line = SerialLine(source, baud or DEFAULT_BAUD, reconnect=False)
    try:
        board = BoardSource(line, option=option, allow=True, gather_s=0.0, select=select)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    try:
        status = board.status
        if status is not None and status.loopback in (Loopback.INTERNAL, Loopback.NONE):
            word = (
                "receives its own transmitter" if status.loopback is Loopback.INTERNAL else "receives nothing"
            )
            raise InputError(
                f"{name} at {board.description}: the board {word}, not another board",
                hint=f"framefray tell {source} loopback pair --yes",
            )
        said = "" if status is None else status.name
        if said and said == other:
            raise InputError(
                f"{name}={source}: this board calls itself {said}",
                hint="the sources are swapped: exchange them",
            )
        if said and said != name:
            tell(f"{name} at {source}: the board calls itself {said}")
    except BaseException:
        board.close()
        raise
    return board


@contextmanager
def open_two_ended(
    sources: NamedSources,
    near: tuple[str, str],
    far: tuple[str, str],
    *,
    option: str | None = None,
    baud: int | None = None,
    hyperframes: int | None = None,
    yes: bool = False,
) -> Iterator[TwoEndedBench]:
    """Two boards with their connection proven; closed at the end. InputError where one is not as it must be."""
    permit(
        yes,
        f"{near[0]} at {near[1]} and {far[0]} at {far[1]}: this makes {near[0]} transmit damaged data, and both"
        " change vendor specific octets for some hyperframes",
    )
    with ExitStack() as stack:
        one, two = _opened(stack, near, far, option=option, baud=baud)
        chosen = baud if baud not in (None, DEFAULT_BAUD) else None
        ends = TwoEnds(End(*one), End(*two))
        yield TwoEndedBench(ends, list(sources), hyperframes=hyperframes, baud=chosen)


def _opened(
    stack: ExitStack,
    near: tuple[str, str],
    far: tuple[str, str],
    *,
    option: str | None,
    baud: int | None,
    select: bool = True,
) -> tuple[NamedBoard, NamedBoard]:
    """Both boards, closed with the stack."""
    boards: list[NamedBoard] = []
    for (name, source), (other, _) in ((near, far), (far, near)):
        board = open_named_board(name, source, other, option=option, baud=baud, select=select)
        stack.callback(_close, board)
        boards.append((name, board))
    _check_options(*boards)
    return boards[0], boards[1]


@contextmanager
def open_two_ended_delay(
    words: Sequence[str],
    *,
    option: str | None = None,
    baud: int | None = None,
    toffset_ns: float | None = None,
    reset_at: str | None = None,
    yes: bool = False,
) -> Iterator[TwoEndedDelay]:
    """The round trip through the second of two boards, the REC of them first; closed at the end."""
    sources = named_sources(words)
    if len(sources) != 2:
        raise InputError("a round trip goes through two boards", hint="NAME=SOURCE NAME=SOURCE")
    names = [name for name, _ in sources]
    if reset_at not in (None, "both", *names):
        raise InputError(f"--reset-at {reset_at}: is none of {', '.join(names)}, both")
    if toffset_ns is not None and not 0 <= toffset_ns <= MOST_TOFFSET_NS:
        raise InputError(f"--toffset {toffset_ns:g}: 0 to {MOST_TOFFSET_NS:g} ns")
    near, far = sorted(sources, key=lambda one: is_controller(one[0]) is not True)
    ends = " and ".join(f"{name} at {source}" for name, source in (near, far))
    permit(yes, f"{ends}: this resets the transceivers again and again, and changes vendor specific octets")
    with ExitStack() as stack:
        one, two = _opened(stack, near, far, option=option, baud=baud, select=False)
        resets = () if reset_at in (None, "both") else (reset_at,)
        delay = TwoEndedDelay(one, two, toffset_ns=toffset_ns, reset_at=resets)
        stack.callback(delay.close)
        yield delay


def _check_options(near: NamedBoard, far: NamedBoard) -> None:
    """InputError for two boards of different line rates."""
    (near_name, one), (far_name, two) = near, far
    if one.option != two.option:
        raise InputError(
            f"{near_name} at {one.description} is of option {one.option}, {far_name} of option {two.option}",
            hint="both ends of a link have the same line rate",
        )


def _close(board: BoardSource) -> None:
    with suppress(InputError):
        board.close()
