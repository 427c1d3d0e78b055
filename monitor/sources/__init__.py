"""What a source is, and files as sources."""
