"""`framefray tell`: one command to a board, its answer, and the status after it."""

from __future__ import annotations

import argparse

from decoders.line_coding.scrambling import SCRAMBLED_OPTIONS
from decoders.linerates import OPTIONS

from ..boards.command_channel import CommandChannel
from ..boards.command_words import parse_command
from ..boards.serial_port import SerialLine
from ..errors import InputError
from ..process.asking import permit
from ..process.streams import print_json, print_lines, tell
from ..protocol.records import AskStatus, LineCodeStatus, Message, SelectData, Status
from ..reports.board_status import status_lines, status_record
from ..sources.names import is_serial, line_meant


def run(arguments: argparse.Namespace) -> int:
    message = parse_command(arguments.what)
    if not is_serial(arguments.source):
        url = line_meant(arguments.source)
        raise InputError(
            f"{arguments.source}: is no serial device or URL with a board behind it",
            hint=url and f"a board on the network is {url}",
        )
    guarded = not isinstance(message, AskStatus | SelectData)
    if guarded:
        what = " ".join(arguments.what)
        permit(arguments.yes, f"{arguments.source}: {what}: this makes the board transmit or reset", "Do it?")
    line = SerialLine(arguments.source, arguments.baud, reconnect=False)
    status, line_code = _status_after(CommandChannel(line, allow=guarded), message)
    if arguments.json:
        print_json(status_record(status, line_code))
    else:
        print_lines(status_lines(status, line_code))
    return 0


def _status_after(board: CommandChannel, message: Message) -> tuple[Status, LineCodeStatus | None]:
    """Command the board; its status and LINE_CODE after that, or those that it sends by itself."""
    board.start()
    try:
        if isinstance(message, AskStatus):
            status = board.ask_status(any_will_do=True)
            if not board.answers:
                tell(f"{board.name}: the board answers no command; this is a status that it sends by itself")
        else:
            board.command(message)
            status = board.ask_status()
        code = None if status.option is None else OPTIONS[status.option]
        has_code = code is None or code.line_code == "64b66b" or code.name in SCRAMBLED_OPTIONS
        return status, board.line_code_with_status() if has_code else None
    finally:
        board.close()
