"""Delay through resets, and plans of chains."""
