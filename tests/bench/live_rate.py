"""The screen on a board behind a line of a given rate: python tests/bench/live_rate.py [SECONDS].

A board of its own process sends over a pseudo-terminal no faster than a UART of 3 and of 12 Mbit/s would (10 bits an
octet: 300 kB/s and 1.2 MB/s): whole hyperframes, control words only, and control words where every other record is
left out, as a board does whose line is too slow. `watch` shows it on a terminal of 80x24. Prints for each: what came,
what was lost, and the share of a core that the whole watching process took. Needs Linux (/proc). Ends with 1 where
the rate was not reached, anything was lost, or the share is over a third.
"""

from __future__ import annotations

import fcntl
import json
import multiprocessing
import os
import pty
import resource
import select
import struct
import sys
import termios
import time
import tty
from collections import deque
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

OPTION = "2"
RATES = {"3 Mbit/s": 300_000, "12 Mbit/s": 1_200_000}
CASES = (("FLAGGED", False), ("CONTROL", False), ("CONTROL", True))
MOST_SHARE = 1 / 3
LEAST_RATE = 0.98
UNTOLD = 64
"""Hyperframes left out that the decoder need not know yet at the end: those behind it."""
ERRORS = ("records_lost", "bad_records", "octets_dropped", "discontinuities", "frames_in_error")
SETTLE_S = 3.0
READ_OCTETS = 1 << 16


def send(master: int, rate: int, data: str, leave_out: bool, seconds: float, ready: int) -> None:
    """The board: hyperframes made beforehand for so many seconds, at the rate of the line.

    Line data are a sender's as they are, for a RecordBoard, which receives them, too, is slower than the line.
    """
    import numpy as np

    from decoders.line_coding.characters import LineForm
    from decoders.link.settings import SenderSettings
    from monitor.emulation.board import RECORD_OCTETS, BoardSetup, RecordBoard
    from monitor.emulation.line_writer import LineWriter
    from monitor.emulation.sender import EmulatedSender
    from monitor.protocol.records import RecordType, data_payload

    board = RecordBoard(BoardSetup(option=OPTION, data_type=RecordType[data]))
    sender = EmulatedSender(SenderSettings(option=OPTION, hdlc_rate_code=3), 1, load=0.5)
    writer = LineWriter(LineForm.FLAGGED, sender.option)
    octets = 2 * sender.option.hyperframe_octets // (16 if data == "CONTROL" else 1)
    each = max(1, RECORD_OCTETS // octets)
    payloads: deque[bytes] = deque()
    for index in range(int(rate * seconds / each / octets) * (1 + leave_out)):
        words = np.frombuffer(writer.write(sender.batch(each)), "<u2")
        if data == "CONTROL":
            words = words.reshape(-1, 16, sender.option.word_octets)[:, 0]
        if not (leave_out and index % 2):
            payloads.append(data_payload(index * each, 0, OPTION, words.tobytes()))
    os.write(ready, b"!")
    waiting = bytearray(board.start())
    os.set_blocking(master, False)
    began, written, status_at = time.monotonic(), 0, 0.0
    while True:
        now = time.monotonic()
        allowed = int((now - began) * rate) - written
        if allowed > rate // 10:  # a line does not catch up
            began, written, allowed = now - 0.02, 0, rate // 50
        if now >= status_at:
            status_at = now + 1.0
            waiting += board.status()
        while len(waiting) < allowed:
            waiting += board.writer.encode(RecordType[data], payloads.popleft())
        if select.select([master], [], [], 0.005)[0]:
            waiting += board.receive(os.read(master, 4096))
        if allowed > 0 and waiting:
            try:
                done = os.write(master, waiting[:allowed])
            except BlockingIOError:
                continue
            del waiting[:done]
            written += done


def watch(name: str, report: int) -> None:
    """What `framefray watch NAME` does, and a word of what came at the end."""
    from decoders.line_coding.characters import LineForm
    from decoders.link.settings import LinkSettings
    from monitor.boards.board import BoardSource
    from monitor.boards.serial_port import SerialLine
    from monitor.links.pipeline import Pipeline
    from monitor.tui.app import run_screen

    source = BoardSource(SerialLine(name))
    began = time.monotonic()
    at_first = source.reader.counters
    octets, bad = at_first.octets, at_first.bad_records  # it was opened in the middle of a record
    pipeline = Pipeline(source, LinkSettings(option=source.option, form=LineForm(source.form)))
    run_screen(pipeline)
    stream, counters = source.reader.counters, pipeline.decoder.counters
    seen = {
        "rate": round((stream.octets - octets) / (time.monotonic() - began)),
        "records_lost": stream.records_lost,
        "bad_records": stream.bad_records - bad,
        "hyperframes_missing": source.hyperframes_missing,
        "not_received": pipeline.decoder.hyperframes_not_received,
        "octets_dropped": source.octets_dropped,
        "hyperframes": pipeline.decoder.hyperframes,
        "discontinuities": counters["hfn_discontinuities"] + counters["bfn_discontinuities"],
        "frames": counters["hdlc_frames"] + counters["ethernet_frames"],
        "frames_in_error": counters["hdlc_fcs_errors"] + counters["ethernet_fcs_errors"],
    }
    os.write(report, json.dumps(seen).encode())


def process_seconds(pid: int) -> float:
    """CPU time of a process with all its threads."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mib(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / (1 << 20)


def drain(terminal: int, seconds: float) -> int:
    """Take what comes from a terminal for so long; how many octets."""
    end, octets = time.monotonic() + seconds, 0
    while (left := end - time.monotonic()) > 0:
        if select.select([terminal], [], [], left)[0]:
            try:
                octets += len(os.read(terminal, READ_OCTETS))
            except OSError:
                break
    return octets


def measure(
    rate: int, data: str, leave_out: bool, view: str, seconds: float
) -> tuple[dict[str, int], float, float, int]:
    """What came, the share of a core, MiB at the end, and octets to the terminal."""
    master, slave = os.openpty()
    ours, theirs = os.pipe()
    tty.setraw(slave)
    board = multiprocessing.get_context("fork").Process(
        target=send,
        args=(master, rate, data, leave_out, seconds + SETTLE_S + 6.0, theirs),
        daemon=True,
    )
    board.start()
    os.read(ours, 1)
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
        watch(os.ttyname(slave), theirs)
        os._exit(0)
    os.close(theirs)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    drain(terminal, SETTLE_S)
    os.write(terminal, view.encode())
    drain(terminal, 1.0)
    before, begun = process_seconds(pid), time.monotonic()
    shown = drain(terminal, seconds)
    share = (process_seconds(pid) - before) / (time.monotonic() - begun)
    memory = rss_mib(pid)
    os.write(terminal, b"q")
    drain(terminal, 1.0)
    seen: dict[str, int] = json.loads(os.read(ours, READ_OCTETS) or b"{}")
    os.waitpid(pid, 0)
    board.terminate()
    board.join()
    for fd in (ours, terminal, master, slave):
        os.close(fd)
    return seen, share, memory, shown


def main(seconds: float) -> int:
    held = True
    for name, rate in RATES.items():
        for data, leave_out in CASES:
            for view in ("1", "2"):
                seen, share, memory, shown = measure(rate, data, leave_out, view, seconds)
                lost = [f"{key} {seen[key]}" for key in ERRORS if seen[key]]
                untold = seen["hyperframes_missing"] - seen["not_received"]
                if untold > UNTOLD or bool(seen["hyperframes_missing"]) is not leave_out:
                    lost.append(f"hyperframes {seen['hyperframes_missing']}, of them untold {untold}")
                held &= not lost and share < MOST_SHARE and seen["rate"] >= LEAST_RATE * rate
                print(
                    f"{name}, {data.lower()}{' left out' * leave_out}, view {view}: {seen['rate'] / 1000:.0f} kB/s,"
                    f" {seen['hyperframes']} hyperframes, {seen['not_received']} left out, {seen['frames']} frames,"
                    f" lost: {'; '.join(lost) or 'nothing'}; {100 * share:.0f} % of a core, {memory:.0f} MiB,"
                    f" {shown / seconds / 1000:.1f} kB/s shown",
                    flush=True,
                )
    print("held" if held else "NOT HELD")
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0))
