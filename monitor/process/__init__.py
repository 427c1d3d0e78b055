"""Standard streams, signals, questions, output files."""
