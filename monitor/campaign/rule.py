"""What a rule of the table is, and the ways to write down its cases."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from .cases import Case
from .conditions import LEAD_HYPERFRAMES

__all__ = ["Rule", "all_of", "one_each", "spread"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a plane, where it is written, and the cases that a receiver which breaks it must fail."""

    plane: str
    text: str
    clause: str
    cases: tuple[Case, ...]


def one_each(*texts: str) -> tuple[Case, ...]:
    """A case for each fault."""
    return tuple(Case((text,)) for text in texts)


def all_of(title: str, texts: Iterable[str], **settings: int | bool) -> Case:
    """One case of many faults, each judged by what it must deliver."""
    return Case(tuple(texts), title, **settings)  # type: ignore[arg-type]


def spread(texts: Iterable[str], every: int = 2, first: int = LEAD_HYPERFRAMES) -> Iterator[str]:
    """Faults one after the other, so many hyperframes apart."""
    for number, text in enumerate(texts):
        name, colon, values = text.partition(":")
        yield f"{name}@{first + every * number}{colon}{values}"
