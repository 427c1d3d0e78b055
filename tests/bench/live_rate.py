"""The screen on a board behind a line of a given rate: python tests/bench/live_rate.py [SECONDS].

A board of its own process sends over a pseudo-terminal no faster than a UART of 3 and of 12 Mbit/s would (10 bits an
octet: 300 kB/s and 1.2 MB/s), whole hyperframes and control words only. `watch` shows it on a terminal of 80x24.
Prints for each: what came, what was lost, and the share of a core that the whole watching process took. Needs Linux
(/proc). Ends with 1 where anything was lost or the share is over a third.
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
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

RATES = {"3 Mbit/s": 300_000, "12 Mbit/s": 1_200_000}
MOST_SHARE = 1 / 3
SETTLE_S = 5.0
READ_OCTETS = 1 << 16


def made(rate: int, data: str, seconds: float) -> list[bytes]:
    """What a board sends in that time at that rate, made beforehand: whole records, a status each second."""
    from monitor.emulation.board import BoardSetup, RecordBoard
    from monitor.protocol.records import RecordType

    board = RecordBoard(BoardSetup(data_type=RecordType[data], load=0.5))
    out = [board.start()]
    octets = since = 0
    while octets < rate * seconds:
        piece = board.advance(20 if data == "CONTROL" else 1)
        octets, since = octets + len(piece), since + len(piece)
        out.append(piece)
        if since >= rate:
            since = 0
            out.append(board.status())
    return out


def send(master: int, rate: int, records: list[bytes]) -> None:
    """The board: says what it has at its rate, and hears nothing."""
    os.set_blocking(master, False)
    waiting = memoryview(b"".join(records))
    began, written = time.monotonic(), 0
    while waiting:
        if select.select([master], [], [], 0.002)[0]:
            os.read(master, 4096)
        now = time.monotonic()
        allowed = int((now - began) * rate) - written
        if allowed > rate // 10:  # a line does not catch up
            began, written, allowed = now - 0.02, 0, rate // 50
        if allowed > 0:
            try:
                done = os.write(master, waiting[:allowed])
            except BlockingIOError:
                continue
            waiting = waiting[done:]
            written += done
    time.sleep(3600.0)


def watch(name: str, report: int) -> None:
    """What `framefray watch NAME` does, and a word of what came at the end."""
    from decoders.characters import LineForm
    from decoders.link import LinkSettings
    from monitor.pipeline import Pipeline
    from monitor.sources.board import BoardSource
    from monitor.sources.serial_port import SerialLine
    from monitor.tui.app import run_screen

    source = BoardSource(SerialLine(name))
    at_first = source.reader.counters.bad_records  # the line was opened in the middle of a record
    pipeline = Pipeline(source, LinkSettings(option=source.option, form=LineForm(source.form)))
    began, octets = time.monotonic(), source.reader.counters.octets
    run_screen(pipeline)
    seconds = time.monotonic() - began
    stream, counters = source.reader.counters, pipeline.decoder.counters
    seen = {
        "octets_per_s": round((stream.octets - octets) / seconds),
        "records_lost": stream.records_lost,
        "bad_records": stream.bad_records - at_first,
        "hyperframes_missing": source.hyperframes_missing,
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


def measure(rate: int, data: str, view: str, seconds: float) -> tuple[dict[str, int], float, float, int]:
    """What came, the share of a core, MiB at the end, and octets to the terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    records = made(rate, data, seconds + 2 * SETTLE_S + 4.0)
    board = multiprocessing.get_context("fork").Process(
        target=send, args=(master, rate, records), daemon=True
    )
    board.start()
    ours, theirs = os.pipe()
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
        for data in ("FLAGGED", "CONTROL"):
            for view in ("1", "2"):
                seen, share, memory, shown = measure(rate, data, view, seconds)
                lost = [key for key in ("records_lost", "bad_records", "hyperframes_missing", "octets_dropped",
                                        "discontinuities", "frames_in_error") if seen[key]]  # fmt: skip
                held &= not lost and share < MOST_SHARE
                print(
                    f"{name}, {data.lower()}, view {view}: {seen['octets_per_s'] / 1000:.0f} kB/s,"
                    f" {seen['hyperframes']} hyperframes, {seen['frames']} frames,"
                    f" lost: {', '.join(f'{key} {seen[key]}' for key in lost) or 'nothing'};"
                    f" {100 * share:.0f} % of a core, {memory:.0f} MiB, {shown / seconds / 1000:.1f} kB/s shown",
                    flush=True,
                )
    print("held" if held else "NOT HELD")
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0))
