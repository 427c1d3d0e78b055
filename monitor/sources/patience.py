"""How long a command without a screen waits for a line that brings nothing, or nothing that it can use."""

from __future__ import annotations

import time
from collections.abc import Callable

from ..errors import InputError
from .source import LineSource, Source

__all__ = ["SILENCE_LIMIT_S", "SYNC_LIMIT_S", "LinePatience"]

SILENCE_LIMIT_S = 30.0
SYNC_LIMIT_S = 30.0


class LinePatience:
    """Asked after each chunk; InputError where it is over. For a line alone: files end and emulated links go on.

    `first_only`: once line data have come, any silence is part of what is recorded.
    """

    def __init__(self, source: Source, *, first_only: bool = False) -> None:
        self._source = source
        self._line = source if isinstance(source, LineSource) else None
        self._first_only = first_only
        self._begun: float | None = None

    def check(self, synced: Callable[[], bool] = lambda: True) -> None:
        """`synced` says whether hyperframe sync was ever found in the line data."""
        if self._line is None or (self._first_only and self._begun is not None):
            return
        still = self._line.standstill
        if still is None:
            self._begun = self._begun or time.monotonic()
            if time.monotonic() - self._begun > SYNC_LIMIT_S and not synced():
                raise InputError(
                    f"{self._source.description}: no hyperframe sync in {SYNC_LIMIT_S:g} s of line data, read as"
                    f" {self._source.form} of option {self._source.option}",
                    hint="check --form and --option, and what the board sends",
                )
        elif still.seconds > SILENCE_LIMIT_S:
            why = "the line is down" if still.broken else "no line data"
            raise InputError(
                f"{self._source.description}: {why} for {SILENCE_LIMIT_S:g} s",
                hint=next(reversed(self._source.warnings), None),
            )
