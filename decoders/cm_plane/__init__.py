"""Slow and fast C&M (4.2.7.7)."""
