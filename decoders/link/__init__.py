"""One direction of a link, whole."""
