"""Snapshots of links for a metrics collector."""
