"""TOML plans: where each key stands, and one-line errors that name file, line and key."""
