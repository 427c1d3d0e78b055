"""One event as plain text, and the file that it is written to.

The text is what the page of an event shows: octets in hexadecimal in line order, everything else made inert. A
file is only ever made new; one that is there already is never touched.
"""

from __future__ import annotations

from pathlib import Path

from decoders.counters import plane_of

from ..links.snapshot import LogEntry
from .line_pane import line_text
from .pages import reading
from .palette import Look

__all__ = ["event_text", "save_event", "saved_in_words"]

_WIDTH = 100
_MOST_NAMES = 10_000


def event_text(entry: LogEntry) -> str:
    """The event told in full, with a line end after each line."""
    lines = [f"event {entry.number}", *map(line_text, reading(entry, Look(False))(_WIDTH))]
    return "".join(line.rstrip() + "\n" for line in lines)


def save_event(entry: LogEntry, folder: Path) -> Path:
    """Write the event to a new file in `folder`, named after its plane and hyperframe; OSError where it cannot be."""
    hyperframe = entry.event.hyperframe
    where = "unsynced" if hyperframe is None else f"hf{hyperframe}"
    stem = f"{plane_of(entry.event).value}-{where}-event{entry.number}"
    for number in range(1, _MOST_NAMES):
        path = folder / (f"{stem}.txt" if number == 1 else f"{stem}-{number}.txt")
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(event_text(entry))
        except FileExistsError:
            continue
        return path
    raise FileExistsError(f"{stem}.txt and all its numbers are there already")


def saved_in_words(entry: LogEntry, folder: Path) -> str:
    """Write the event, and tell where it is, or why it could not be written."""
    try:
        return f"written: {save_event(entry, folder)}"
    except OSError as problem:
        return f"not written: {problem.strerror or problem}"
