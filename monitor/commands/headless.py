"""A source read without a screen: what a board says and a source warns of as it comes, and an end by a signal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..links.pipeline import Pipeline
from ..process.interrupts import Interrupts
from ..process.streams import print_lines, tell
from ..reports.decode_text import summary_lines
from ..sources.news import News
from ..sources.patience import LinePatience
from ..sources.source import Chunk, Source, received

__all__ = ["Reading"]


class Reading:
    """Reads a source to its end, or to a signal; what it says on the way goes to standard error."""

    def __init__(self, source: Source, interrupts: Interrupts) -> None:
        self._source = source
        self._interrupts = interrupts
        self._news = News(source)
        self.trouble: InputError | None = None
        """That it was waited in vain for the line, to be raised once the result is written."""

    def run(
        self,
        take: Callable[[Chunk], object],
        synced: Callable[[], bool],
        chunks: Iterator[Chunk] | None = None,
    ) -> bool:
        """Give each chunk to `take`, whole, and close the source; False where a signal ended it.

        `synced` says whether sync was found yet. `chunks` are those of the source, where some were taken before.
        """
        patience = LinePatience(self._source)
        try:
            self.tell()
            for chunk in chunks or self._source.chunks():
                with self._interrupts.held():
                    take(chunk)
                    self.tell()
                try:
                    patience.check(synced)
                except InputError as error:
                    self.trouble = error
                    break
        except KeyboardInterrupt:
            if self._interrupts.insisted:
                raise
        finally:
            self._source.close()
        return not self._interrupts.seen

    def tell(self) -> None:
        """What the board has said, and the source warned of, since the last time."""
        for line in self._news.lines():
            if not line.event:
                tell(line.text, "board")
        for warning in self._news.warnings():
            tell(warning)


HEADLESS_HYPERFRAMES = 600


def iq_map_text(given: str | None, option: str, *, emulated: bool) -> str | None:
    """The IQ map that is given, or that the emulation sends; None where none is known. InputError."""
    from decoders.errors import DecodersError
    from decoders.linerates import option_named
    from decoders.user_plane.iq_map import IqMap

    line = option_named(option)
    if given is not None:
        try:
            IqMap.parse(line, given)
        except DecodersError as error:
            raise InputError(f"--iq {given}: {error}") from None
        return given
    if not emulated:
        return None
    from ..emulation.sender import iq_map_sent

    return iq_map_sent(line)


def summarise_read(source: Source, settings: LinkSettings, interrupts: Interrupts) -> int:
    """Read to the end of the source or to a signal, and print what it held until then."""
    decoder = LinkDecoder(settings)
    reading = Reading(source, interrupts)
    whole = reading.run(
        lambda chunk: received(decoder, chunk), lambda: decoder.acquired_at_hyperframe is not None
    )
    with interrupts.held():
        decoder.finish()
        reading.tell()
        return print_summary(decoder, source, reading.trouble, whole=whole)


def summarise(pipeline: Pipeline, interrupts: Interrupts, *more: str) -> int:
    """The same of a pipeline, which may have begun; `more` lines come below the summary."""
    reading = Reading(pipeline.source, interrupts)
    whole = reading.run(
        pipeline.take, lambda: pipeline.decoder.acquired_at_hyperframe is not None, pipeline.chunks
    )
    with interrupts.held():
        pipeline.take(None)
        reading.tell()
        return print_summary(pipeline.decoder, pipeline.source, reading.trouble, *more, whole=whole)


def print_summary(
    decoder: LinkDecoder, source: Source, trouble: Exception | None, *more: str, whole: bool
) -> int:
    """What was read until the end, a signal (not `whole`) or `trouble`, which is raised; the exit status."""
    print_lines([*summary_lines(decoder, source.description), *more])
    sys.stdout.flush()
    if trouble is not None:
        raise trouble
    if not whole:
        tell("interrupted; the result covers what was read")
        return 130
    if decoder.acquired_at_hyperframe is None:
        tell("no hyperframe sync found; check --form and --option")
        return 2
    return 0
