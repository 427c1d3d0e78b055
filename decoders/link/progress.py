"""How far a link has been decoded, and what was lost on the way."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Progress"]


@dataclass(slots=True)
class Progress:
    """Counts of hyperframes of one direction.

    `missed` are those since the first in sync that went by while sync was lost, or were not received;
    `not_received` are the latter. `gaps_of_unknown_length`: how many were not received there is not known.
    """

    hyperframes: int = 0
    acquired_at: int | None = None
    losses: int = 0
    missed: int = 0
    not_received: int = 0
    gaps_of_unknown_length: int = 0
    lost_at: int = 0
    """Octet of the stream at which sync was lost last."""
    decoded_until: int = 0
    """Octet of the stream after the last decoded hyperframe."""
    trailing_octets: int = 0
    """Octets after the last decoded hyperframe, or all if there is none; known at the end."""

    @property
    def number(self) -> int | None:
        """Number of the hyperframe to come; None before the first."""
        return self.hyperframes if self.acquired_at is not None else None

    def acquire(self, at: int, octets: int) -> None:
        """Sync from octet `at` of the stream on; `octets` are those of a hyperframe."""
        if self.acquired_at is not None:
            self.missed += round((at - self.lost_at) / octets)
        else:
            self.acquired_at = at // octets

    def lose(self, at: int) -> None:
        """Sync was lost at octet `at` of the stream."""
        self.losses += 1
        self.lost_at = at

    def forget_losses(self) -> None:
        """Count what is lost from here on."""
        self.missed = self.not_received = self.gaps_of_unknown_length = 0

    def pass_gap(self, count: int | None) -> None:
        """`count` hyperframes were not received; before the first decoded one nothing was interrupted."""
        if self.acquired_at is not None:
            self.not_received += count or 0
            self.missed += count or 0
            self.gaps_of_unknown_length += count is None and self.decoded_until > 0
