"""What is wrong on a line, by kind: bounded, and told at each tenfold."""

from __future__ import annotations

from monitor.boards.tally import MOST_KINDS, DamageTally


def test_the_first_and_each_tenfold_is_told() -> None:
    warnings: list[str] = []
    tally = DamageTally(warnings)
    for _ in range(120):
        tally.add("record left out")
    tally.add("octets lost", 5000)
    assert warnings == [
        "record left out: 1 so far",
        "record left out: 10 so far",
        "record left out: 100 so far",
        "octets lost: 5000 so far",
    ]
    assert dict(tally.counts) == {"record left out": 120, "octets lost": 5000}


def test_the_words_of_a_peer_make_no_end_of_kinds() -> None:
    warnings: list[str] = []
    tally = DamageTally(warnings)
    for number in range(10_000):
        tally.add(f"record left out: {number} " + "x" * 1000)
    assert len(tally.counts) == MOST_KINDS + 1 and sum(tally.counts.values()) == 10_000
    assert len(warnings) < MOST_KINDS + 6
    assert max(map(len, tally.counts)) == 120
