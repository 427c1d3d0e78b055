"""Counts of hyperframes: decoded, missed and not received."""

from __future__ import annotations

from decoders.link.progress import Progress


def test_what_goes_by_while_sync_is_lost_is_missed() -> None:
    progress = Progress()
    assert progress.number is None
    progress.acquire(8200, 4096)
    assert (progress.acquired_at, progress.number) == (2, 0)
    progress.hyperframes = 10
    progress.lose(8200 + 10 * 4096)
    progress.acquire(8200 + 13 * 4096 - 3, 4096)
    assert (progress.losses, progress.missed, progress.acquired_at, progress.number) == (1, 3, 2, 10)


def test_gaps_count_from_the_first_hyperframe_in_sync_on() -> None:
    progress = Progress()
    progress.pass_gap(5)
    progress.pass_gap(None)
    assert (progress.missed, progress.not_received, progress.gaps_of_unknown_length) == (0, 0, 0)
    progress.acquire(0, 4096)
    progress.pass_gap(None)
    assert progress.gaps_of_unknown_length == 0  # nothing has been decoded yet that it could interrupt
    progress.decoded_until = 4096
    progress.pass_gap(4)
    progress.pass_gap(None)
    assert (progress.missed, progress.not_received, progress.gaps_of_unknown_length) == (4, 4, 1)
    progress.forget_losses()
    assert (progress.missed, progress.not_received, progress.gaps_of_unknown_length) == (0, 0, 0)
