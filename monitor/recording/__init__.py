"""Recordings made and replayed."""
