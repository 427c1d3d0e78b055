"""What a capture holds, in the formats of other tools: packets, samples, tables, line stimulus."""

from __future__ import annotations

TABLES = (".csv", ".jsonl", ".parquet")
SIGMF = (".sigmf-meta", ".sigmf-data")
STIMULI = (".vcd", ".hex", ".mem")
SUFFIXES = (".pcapng", ".npy", *SIGMF, *TABLES, *STIMULI)
"""What `export` writes, by the suffix of the file."""
