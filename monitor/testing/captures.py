"""A decoded capture in a test."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from .expectations import Expected, check_expectation, check_names, expectation_of

if TYPE_CHECKING:
    from decoders.events import Event

__all__ = ["DecodedCapture"]


class DecodedCapture:
    """A capture file, decoded from end to end: `counters`, `events`, and the decoder.

    `form` and `option` are found from the data where they are left out; InputError where the file cannot be read.
    """

    def __init__(self, path: str | Path, *, form: str | None = None, option: str | None = None) -> None:
        from decoders.line_coding.characters import LineForm
        from decoders.link.decoder import LinkDecoder
        from decoders.link.settings import LinkSettings

        from ..sources.file import open_file_source
        from ..sources.source import received

        source = open_file_source(str(path), form, option)
        self.path = Path(path)
        self.decoder = LinkDecoder(LinkSettings(source.option, LineForm(source.form)))
        self.events: list[Event] = []
        for chunk in source.chunks():
            self.events += received(self.decoder, chunk)
        self.events += self.decoder.finish()
        source.close()
        self.warnings = tuple(source.warnings)

    @property
    def counters(self) -> dict[str, int]:
        return dict(self.decoder.counters)

    def expect(self, *, others: int | None = 0, **counters: Expected) -> None:
        """LinkExpectationError unless the counters stand so, and every other error counter at 0."""
        __tracebackhide__ = True
        check_names(counters)
        from ..faults.verdict import Observation

        expectation = expectation_of(counters, self.counters, others, None)
        check_expectation(self.path.name, expectation, Observation(self.counters))
