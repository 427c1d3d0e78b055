"""One link watched: what screens and reports may know."""
