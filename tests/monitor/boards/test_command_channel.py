"""A board that says too much, too little, or something else: bounded, counted, and told in one line."""

from __future__ import annotations

import tracemalloc

import pytest

from monitor.boards.board import BoardSource
from monitor.emulation.board import RecordBoard
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.sources.log import LOG_LINE_CHARACTERS, LOG_LINES
from monitor.sources.news import News
from tests.support.boards import BoardLine
from tests.support.said_boards import STATUS, channel, records

# ---- bounds ----------------------------------------------------------------------------------------------


def test_answers_that_nobody_asked_for_are_dropped_and_counted() -> None:
    unasked = b"".join(records(r.Acknowledge(n, 0x40, 0, "x" * 60_000)) for n in range(300))
    made = channel()
    tracemalloc.start()
    for _ in range(10):
        made.receive(unasked, 0)
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 10_000_000  # all of them are 180 MB
    assert made.warnings[0] == "answers to no command: 1 so far"
    assert made.tally.counts["answers to no command"] == 3000


def test_a_late_second_answer_is_nothing_to_tell() -> None:
    line = BoardLine(RecordBoard())
    source = BoardSource(line, allow=True, answer_s=0.05)
    status = source.ask_status()
    line.give(records(r.Acknowledge(source.channel._writer.sequence - 1, 0x40, 0, "")))
    assert status.name == "REC-A"
    assert "answers to no command" not in source.channel.tally.counts


def test_log_text_has_a_bound_and_says_what_it_left_out() -> None:
    made = channel()
    for n in range(LOG_LINES + 1000):
        made.log.add(n, "\x1b" * 5000)
    made.receive(records(r.LogText("\x1b" * 60_000)), 0)
    lines, count = made.log.since(0)
    assert (len(lines), count) == (LOG_LINES, LOG_LINES + 1001)
    assert max(len(line.text) for line in lines) < LOG_LINE_CHARACTERS + 60

    class Talking:
        def __init__(self) -> None:
            self.log, self.warnings = made.log, list[str]()

    lines = News(Talking()).lines()  # type: ignore[arg-type]
    assert lines[0].text == "(1001 lines left out: more than 2000 at a time)"
    assert len(lines) == LOG_LINES + 1
    assert lines[-1].text.endswith(" ... (cut; the line has 60000 characters)")


# ---- the status ------------------------------------------------------------------------------------------


def test_a_status_that_came_before_the_first_question_is_not_forgotten() -> None:
    made = channel(first=records(STATUS))
    assert made.ask_status(any_will_do=True).name == "X-1"
    with pytest.raises(InputError, match="no answer"):
        made.ask_status()
