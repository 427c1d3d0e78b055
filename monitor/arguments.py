"""Limits of numbers that a person or a plan may give."""

from __future__ import annotations

__all__ = ["MOST_COUNTED", "MOST_DIGITS"]

MOST_COUNTED = (1 << 40) - 1
"""Of hyperframes, more than two years of line."""

MOST_DIGITS = 100
"""Of a whole number; Python reads and writes no more than some thousands."""
