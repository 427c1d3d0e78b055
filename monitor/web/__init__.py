"""The screen in a browser: a page for each viewer on links that are watched once."""
