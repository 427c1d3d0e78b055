"""Links in tests."""
