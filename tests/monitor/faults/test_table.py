"""The page of faults says what the catalogue declares."""

from __future__ import annotations

from pathlib import Path

from decoders.counters import COUNTERS
from decoders.linerates import option_named
from monitor.faults import table
from monitor.faults.catalogue import CATALOGUE, kinds_for

PAGE = Path(table.__file__).with_name("FAULTS.md")


def test_page_is_what_the_declarations_say() -> None:
    assert PAGE.read_text() == table.page(), "run python -m monitor.faults.table > monitor/faults/FAULTS.md"


def test_page_names_every_fault_and_only_real_counters() -> None:
    text = PAGE.read_text()
    for name in CATALOGUE:
        rows = name in kinds_for(option_named("2")), name in kinds_for(option_named("8"), fec=True)
        assert text.count(f"| `{name}` |") == 1 + sum(rows)
    heads = next(line for line in text.splitlines() if line.startswith("| fault | code violations"))
    shown = [cell.strip().replace(" ", "_") for cell in heads.strip("| ").split("|")[1:]]
    assert shown == [c for c in COUNTERS if c in shown]
