"""`python -m monitor` is `framefray`."""

from .cli.main import run

run()
