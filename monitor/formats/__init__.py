"""Forms of line data in files."""
