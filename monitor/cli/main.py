"""Runs one command: its exit status, its errors."""

from __future__ import annotations

import importlib
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress

from ..errors import MonitorError
from ..process.streams import complete_streams, discard_output
from ..text import inert
from .command_line import build_parser

EXIT_OK, EXIT_FAIL, EXIT_BAD_INPUT, EXIT_INTERRUPTED = 0, 1, 2, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit status."""
    try:
        try:
            status = _run(list(sys.argv[1:] if argv is None else argv))
        except SystemExit:  # --help, and what argparse refuses
            sys.stdout.flush()
            raise
        sys.stdout.flush()
    except MonitorError as error:
        return _failed(str(error))
    except ValueError as error:
        from decoders.errors import DecodersError

        if not isinstance(error, DecodersError):
            raise
        return _failed(str(error))  # a setting that a decoder does not take
    except KeyboardInterrupt as interrupt:
        _failed("; ".join(["interrupted", *map(str, interrupt.args)]))
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has enough; the interpreter must not complain about it at its end.
        discard_output()
        return EXIT_OK
    except MemoryError:
        return _failed("the memory of this machine is not enough for that; ask for less")
    except OSError as error:
        # Files that are read or written put their own names to it; what is left is the output.
        try:
            sys.stdout.flush()
        except OSError:
            discard_output()
        return _failed(f"{error.filename or 'standard output'}: {error.strerror or error}")
    return status


def _failed(text: str) -> int:
    with suppress(OSError):
        print(f"framefray: {inert(text)}", file=sys.stderr)
    return EXIT_BAD_INPUT


def _run(words: list[str]) -> int:
    parser = build_parser()
    arguments = parser.parse_args(words)
    if arguments.command == "completion":
        import shtab

        print(shtab.complete(parser, arguments.shell))
        return EXIT_OK
    command = importlib.import_module(f"..commands.{arguments.command}", __package__)
    status: int = command.run(arguments)
    return status


def run() -> None:
    """Entry point of the console script."""
    complete_streams()
    for name in ("SIGTERM", "SIGHUP"):  # what is done so far is kept, as after Ctrl-C; nohup is respected
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    try:
        status = main()
    except KeyboardInterrupt:  # once more, while the first one was told
        status = EXIT_INTERRUPTED
    sys.exit(status)
