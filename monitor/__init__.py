"""Everything of framefray that touches the world: sources, faults, counters, commands, screen."""

__version__ = "0.1.0"
