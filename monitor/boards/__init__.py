"""What is behind a serial line."""
