"""`framefray board`: an emulated board on a pseudo-terminal or a TCP port."""

from __future__ import annotations

import argparse

from ..emulation.board_server import serve


def run(arguments: argparse.Namespace) -> int:
    return serve(arguments)
