"""Scrambling of version 2 taken off in sync: what is told and counted, and hyperframes that are only looked at."""

from __future__ import annotations

import numpy as np

from decoders.counters import COUNTERS
from decoders.events import ScramblingSeedChanged, ScramblingUnreliable
from decoders.line_coding.scrambling import HyperframeDescrambler, scramble
from decoders.linerates import option_named
from decoders.link.descrambling import LinkDescrambler
from tests.support.link_streams import hyperframes


def descrambler(option: str) -> tuple[LinkDescrambler, dict[str, int]]:
    counters = dict.fromkeys(COUNTERS, 0)
    return LinkDescrambler(option_named(option), counters, HyperframeDescrambler), counters


def test_seeds_are_followed_and_told() -> None:
    plain = hyperframes("5", 5, version=2).octets
    sent = scramble(plain, np.array([5, 5, 9, 9, 9]))
    sent[4, 0, 0, 7] ^= 1
    part, counters = descrambler("5")
    octets, events = part.receive(sent, 20)
    assert events == [ScramblingSeedChanged(22, 5, 9), ScramblingUnreliable(24, 9)]
    assert (counters["scrambling_seed_changes"], counters["scrambling_unreliable"]) == (1, 1)
    plain[4, 0, 0, 7] ^= 1
    assert np.array_equal(octets, plain)
    assert part.seed == 9


def test_what_is_ahead_is_seen_and_not_counted() -> None:
    plain = hyperframes("6", 3, version=2).octets
    sent = scramble(plain, np.array([5, 6, 7]))
    part, counters = descrambler("6")
    assert np.array_equal(part.ahead(sent), plain)
    assert part.seed is None
    assert not any(counters.values())


def test_where_there_is_no_scrambling_nothing_is_changed() -> None:
    octets = hyperframes("8", 2, version=2).octets
    part, _ = descrambler("8")
    assert part.receive(octets, 0) == (octets, [])
    assert part.ahead(octets) is octets
    assert part.seed is None
