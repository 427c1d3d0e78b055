"""`framefray tell`: one command to a board, its answer, and the status after it."""

from __future__ import annotations

import argparse

from ..boards.command_channel import CommandChannel
from ..boards.command_words import parse_command
from ..boards.serial_port import SerialLine
from ..errors import InputError
from ..process.asking import permit
from ..process.streams import print_json, print_lines, tell
from ..protocol.records import AskStatus, Message, SelectData, Status
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
    status = _status_after(CommandChannel(line, allow=guarded), message)
    if arguments.json:
        print_json(status_record(status))
    else:
        print_lines(status_lines(status))
    return 0


def _status_after(board: CommandChannel, message: Message) -> Status:
    """Command the board; its status after that, or one that it sends by itself and answers nothing."""
    board.start()
    try:
        if not isinstance(message, AskStatus):
            board.command(message)
            return board.ask_status()
        status = board.ask_status(any_will_do=True)
        if not board.answers:
            tell(f"{board.name}: the board answers no command; this is a status that it sends by itself")
        return status
    finally:
        board.close()
