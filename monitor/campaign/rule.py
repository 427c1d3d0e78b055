"""What a rule of the table is, and the ways to write down its cases."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from decoders.line_coding.characters import LineForm

from .cases import Case
from .conditions import LEAD_HYPERFRAMES

__all__ = ["FLAGS", "LINE_BITS", "LINE_CODE", "Rule", "all_of", "one_each", "spread"]

FLAGS, LINE_CODE, LINE_BITS = "special characters and code errors", "a line code", "line bits"
_FORMS = {
    FLAGS: frozenset(form for form in LineForm if form.has_flags),
    LINE_CODE: frozenset((LineForm.BITS, LineForm.SYMBOLS, LineForm.BLOCKS)),
    LINE_BITS: frozenset((LineForm.BITS,)),
}
"""Forms of line data that hold it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a plane, where it is written, and the cases that a receiver which breaks it must fail.

    `needs` is what line data must hold for the rule to show: FLAGS (special characters and code errors), LINE_CODE
    (words or blocks that the receiver decodes itself), LINE_BITS (it finds their boundary itself), or nothing.
    """

    plane: str
    text: str
    clause: str
    cases: tuple[Case, ...]
    needs: str = ""

    def hidden_in(self, form: LineForm) -> bool:
        """Whether line data of this form do not show the rule, whatever its cases say."""
        return bool(self.needs) and form not in _FORMS[self.needs]


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
