"""`python -m monitor` is `framefray`."""

from .cli import run

run()
