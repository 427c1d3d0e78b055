"""`framefray replay`: the screen on a capture, with play, pause, step, speed and seek."""

from __future__ import annotations

import argparse
import math
import sys
import threading

from ..errors import InputError
from ..links.pipeline import Pipeline
from ..opening import SourceRequest, check_capture, link_settings
from ..process.interrupts import Interrupts
from ..process.streams import tell
from ..recording.random_access import open_replay
from ..recording.replay import ReplayControl, ReplaySource
from .headless import iq_map_text, summarise

_SHOWN = 10


def run(arguments: argparse.Namespace) -> int:
    speed = _speed(arguments.speed)
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if not terminal and not arguments.headless:
        tell("no terminal, so no screen; a text summary follows")
    headless = arguments.headless or not terminal
    check_capture(arguments.source)
    if arguments.vcd is not None or arguments.source.lower().endswith(".vcd"):
        raise InputError(
            f"{arguments.source}: a value change dump cannot be replayed",
            hint="framefray record it with --vcd, and replay the recording",
        )
    reader = open_replay(arguments.source, arguments.form, arguments.option)
    try:
        control = ReplayControl(
            reader,
            playing=headless or not arguments.paused,
            speed=math.inf if headless and arguments.speed is None else speed,
        )
        source = ReplaySource(reader, control, stay=not headless)
        source.settings = link_settings(SourceRequest.of(arguments), source)
        iq_map = iq_map_text(arguments.iq, source.option, emulated=False)
        pipeline = Pipeline(source, source.settings)
    except BaseException:
        reader.close()
        raise
    try:
        if arguments.at is not None:
            source.start_scan()
            control.timeline.wait_complete(threading.TIMEOUT_MAX)
            place = control.seek_text(arguments.at)
            if place >= control.timeline.total:
                raise InputError(
                    f"--at {arguments.at}: the capture has hyperframes 0 to {control.timeline.total - 1}"
                )
        if not headless:
            from ..tui.app import run_screen

            return run_screen(pipeline, fps=arguments.fps, replay=control, iq_map=iq_map)
        source.start_scan()
        control.timeline.wait_complete(threading.TIMEOUT_MAX)
        more = [_errors(control)]
        if arguments.at is not None:
            more.append(f"  played    from {arguments.at} on: counters are those of this part")
        with Interrupts() as interrupts:
            return summarise(pipeline, interrupts, *more)
    finally:
        source.close()


def _speed(text: str | None) -> float:
    if text is None:
        return 1.0
    if text == "max":
        return math.inf
    try:
        return float(text)
    except ValueError:
        raise InputError(f"--speed {text}: a factor such as 0.01, or max") from None


def _errors(control: ReplayControl) -> str:
    """Where the errors are, for whoever goes there next."""
    found: list[int] = []
    while len(found) < _SHOWN:
        at = control.timeline.error_after(found[-1] if found else -1)
        if at is None:
            break
        found.append(at)
    if not found:
        return "  errors    in no hyperframe"
    rest = control.errors - len(found)
    more = f" and {rest} more" if rest else ""
    return f"  errors    in hyperframe{'s' * (len(found) > 1)} {', '.join(map(str, found))}{more}"
