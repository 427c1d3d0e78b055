"""A source read without a screen: warnings as they come, line data that do not come, and an end by a signal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

from ..errors import InputError, inert
from ..interrupts import Interrupts
from ..sources import Chunk, LineSource, Source, TalkingSource

__all__ = ["Reading"]

SILENCE_S = 5.0
"""So long without line data, on a line that stands, is worth a word, once."""


class Reading:
    """Reads a source to its end, or to a signal; what it says on the way goes to standard error."""

    def __init__(self, source: Source, interrupts: Interrupts) -> None:
        self._source = source
        self._interrupts = interrupts
        self._told = self._heard = 0

    def run(self, take: Callable[[Chunk], object], chunks: Iterator[Chunk] | None = None) -> bool:
        """Give each chunk to `take`, whole, and close the source; False where a signal ended it.

        `chunks` are those of the source, where some were taken before.
        """
        try:
            self.tell()
            told = False
            for chunk in chunks or self._source.chunks():
                with self._interrupts.held():
                    take(chunk)
                    self.tell()
                if not told and self._silent:
                    told = True
                    _say(
                        f"{self._source.description}: no line data for {SILENCE_S:g} s: {_why(self._source)}"
                    )
        except KeyboardInterrupt:
            if self._interrupts.insisted:
                raise
        finally:
            self._source.close()
        return not self._interrupts.seen

    @property
    def _silent(self) -> bool:
        """Nothing has come for long. Not where the line broke, which is told already."""
        still = self._source.standstill if isinstance(self._source, LineSource) else None
        return still is not None and not still.broken and still.seconds >= SILENCE_S

    def tell(self) -> None:
        """What the board has said, and the source warned of, since the last time."""
        if isinstance(self._source, TalkingSource):
            lines, self._heard = self._source.log.since(self._heard)
            for line in (line for line in lines if not line.event):
                print(f"board: {inert(line.text)}", file=sys.stderr)
        for warning in self._source.warnings[self._told :]:
            _say(warning)
            self._told += 1


def _say(text: str) -> None:
    print(f"framefray: {inert(text)}", file=sys.stderr)


def _why(source: Source) -> str:
    """What is known of a line that is quiet: a board's own status, if there is one that answers."""
    from ..protocol.records import Loopback, StatusFlag
    from ..sources.board import BoardSource

    if not isinstance(source, BoardSource):
        return "is the board sending, and at this --baud?"
    try:
        status = source.ask_status()
    except InputError:
        return "the board does not answer"
    if not status.data_type:
        return "the board says that its line data are switched off"
    said = f"the board says loopback {status.loopback.name.lower()}"
    if status.loopback is Loopback.NONE:
        return f"{said}: its receiver hears nothing"
    alarms = [f", {flag.name}" for flag in (StatusFlag.LOS, StatusFlag.LOF) if status.flags & flag]
    waiting = ": it waits for what another board sends" if status.loopback is Loopback.PAIR else ""
    return said + "".join(alarms) + waiting
