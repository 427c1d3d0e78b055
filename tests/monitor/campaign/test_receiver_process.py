"""A receiver in a process of its own: the pipes, processes that misbehave, and a C program that reads HDLC only."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from decoders.events import Event, FrameReceived, Plane
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from monitor.campaign import receiver_process
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.known_answers import Outcome
from monitor.campaign.receiver_process import ProcessReceiver, ReceiverError, receiver_command
from monitor.campaign.receivers import EVERY_PLANE, OWN_DECODER, ReceiverUnderTest
from monitor.campaign.transmission import Transmission, transmit
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault
from monitor.faults.verdict import Verdict

C_SOURCE = Path(__file__).with_name("c_receiver") / "hdlc_only.c"
FRAME = '{"plane":"hdlc","status":"good","hyperframe":2,"data":"0103","fcs":"da79"}'


def python(code: str) -> list[str]:
    return [sys.executable, "-S", "-c", code]


def outcome(code: str, data: bytes = b"x" * 1000, patience_s: float = 20.0) -> str:
    """What a campaign is told of a process that runs this."""
    with pytest.raises(ReceiverError) as caught:
        receiver = ProcessReceiver(python(code), patience_s=patience_s)
        receiver.receive(data)
        receiver.finish()
    text = str(caught.value)
    assert "\n" not in text
    assert "\x1b" not in text
    return text.partition(": ")[2]


def test_records_come_back_and_data_goes_in() -> None:
    code = (
        "import sys, json\n"
        "print(json.dumps({'event': 'serves', 'serves': ['hdlc', 'sync'], 'delivers': ['hdlc']}))\n"
        "n = len(sys.stdin.buffer.read())\n"
        f"print('{FRAME}')\n"
        "print(json.dumps({'event': 'counters', 'counters': {'hfn_invalid': n}, 'state': 'HFNSYNC'}), end='\\n\\n')\n"
    )
    receiver = ProcessReceiver(python(code))
    events = receiver.receive(bytes(300_000)) + receiver.receive(bytes(7)) + receiver.finish()
    assert [type(e) for e in events] == [FrameReceived]
    assert receiver.counters["hfn_invalid"] == 300_007
    assert receiver.counters["hdlc_frames"] == 1
    assert receiver.state == "HFNSYNC"
    assert receiver.serves == {Plane.HDLC, Plane.SYNC}
    assert receiver.delivers == {Plane.HDLC}


def test_more_output_than_a_pipe_holds_while_data_waits() -> None:
    """Both pipes fill at once: nobody may wait for the other."""
    code = f"import sys\nwhile d := sys.stdin.buffer.read(1000): print('{FRAME}\\n' * 50, flush=True)"
    receiver = ProcessReceiver(python(code))
    events: list[Event] = []
    for _ in range(10):
        events += receiver.receive(bytes(10_000))
    events += receiver.finish()
    assert len(events) == 5000


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("raise SystemExit('no licence for the simulator')", "exit status 1; it wrote: no licence"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "ended by SIGSEGV"),
        ("import sys; sys.stdin.read(); print('{')", "line 1: Input data was truncated"),
        ("import sys; sys.stdin.read(); print('[' * 100000)", "line 1: "),
        ("import sys; sys.stdin.read(); print('[1]')", "a record must be an object"),
        ("import sys; sys.stdin.read(); print('{}', end='')", "has no end"),
        ("import sys; sys.stdin.read(); sys.stdout.buffer.write(b'\\xff\\x1b[2J\\n')", "line 1: "),
        ("import sys; sys.stdin.read(); print('{\"event\":\"\\\\u001b[2J\"}')", r"no event '\x1b[2J'"),
        ("import sys; sys.stdin.read(); sys.exit(3)", "failed: exit status 3"),
        ("import sys; sys.stdin.read(); sys.exit('\\x1b[31mred')", r"it wrote: \x1b[31mred"),
    ],
)  # fmt: skip
def test_a_process_that_misbehaves_is_one_clear_line(code: str, says: str) -> None:
    assert says in outcome(code)


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("import time; time.sleep(60)", "did nothing for 0.3 s with line data waiting"),
        (
            "import sys, time; sys.stdin.read(); time.sleep(60)",
            "did nothing for 0.3 s after the end of the line",
        ),
        (
            "import sys, os, time; sys.stdin.read(); os.close(1); os.close(2); time.sleep(60)",
            "did not end within",
        ),
    ],
)
def test_a_process_that_hangs_is_ended(code: str, says: str) -> None:
    began = time.monotonic()
    assert says in outcome(code, bytes(1 << 20), patience_s=0.3)
    assert time.monotonic() - began < 10


def test_a_process_that_never_stops_writing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(receiver_process, "MOST_LINE_OCTETS", 1 << 18)
    monkeypatch.setattr(receiver_process, "MOST_OUTPUT_OCTETS", 1 << 20)
    monkeypatch.setattr(receiver_process, "MOST_RECORDS", 1000)
    assert "longer than" in outcome("while True: print('x' * 100000, end='')")
    assert "more than 1000 records" in outcome(f"while True: print('{FRAME}')")
    assert "more than 1 MiB" in outcome("while True: print(' ' * 1000)")


def test_what_the_process_started_ends_with_it() -> None:
    code = (
        "import subprocess, sys, time\n"
        f"p = subprocess.Popen([{sys.executable!r}, '-S', '-c', 'import time; time.sleep(60)'])\n"
        'print(\'{"event":"serves","serves":[]}\', flush=True)\n'
        "print(p.pid, file=sys.stderr, flush=True)\n"
        "sys.stdin.read(); time.sleep(60)\n"
    )
    text = outcome(code, patience_s=1.0)
    child = int(text.rpartition("it wrote: ")[2])
    for _ in range(100):
        try:
            os.kill(child, 0)
            state = Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return
        if state == "Z":
            return
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    pytest.fail("the child lives on")


def test_a_receiver_that_is_dropped_is_ended() -> None:
    receiver = ProcessReceiver(python("import time; time.sleep(60)"))
    process = receiver._process
    del receiver
    assert process.poll() is not None


@pytest.mark.parametrize(
    ("command", "says"),
    [("", "it is empty"), ("'", "No closing quotation"), ("no-such-program-at-all x", "no program")],
)
def test_a_command_that_cannot_be(command: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        receiver_command(command)
    assert says in str(caught.value)


def test_option_and_form_stand_in_the_command() -> None:
    code = "import sys; sys.stdin.read(); sys.exit(' '.join(sys.argv[1:]))"
    words = [*python(code), "{option}", "--form={form}", "{else}"]
    made = receiver_command(shlex.join(words))
    receiver = made(LinkSettings("4", LineForm.FLAGGED))
    with pytest.raises(ReceiverError, match=r"it wrote: 4 --form=flagged \{else\}"):
        receiver.finish()


# ---- a C program ----


@pytest.fixture(scope="module")
def hdlc_only(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("needs a C compiler (Debian and Ubuntu: apt-get install gcc)")
    program = tmp_path_factory.mktemp("c") / "hdlc_only"
    flags = ["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror"]
    subprocess.run([compiler, *flags, "-o", str(program), str(C_SOURCE)], check=True, timeout=60)
    return program


def received(under_test: ReceiverUnderTest, sent: Transmission, option: str) -> list[Event]:
    receiver = under_test(LinkSettings(option, sent.form))
    events = [event for chunk in sent.chunks for event in receiver.receive(chunk)]
    events += receiver.finish()
    assert receiver.serves == receiver.delivers or Plane.HDLC in receiver.serves
    return [e for e in events if isinstance(e, FrameReceived) and e.plane is Plane.HDLC]


@pytest.mark.parametrize("option", ["1", "2", "4", "7"])
def test_the_c_program_reads_what_the_decoder_reads(hdlc_only: Path, option: str) -> None:
    conditions = LinkConditions(option=option, seed=3, crafted=True, form=LineForm.OCTETS)
    faults = ("hdlc.fcs@8", "hdlc.abort@12", "hdlc.unaligned@16", "hdlc.short@20", "hdlc.join@24")
    sent = transmit(conditions, [parse_fault(text) for text in faults], 120 if option == "1" else 60)
    mine = received(receiver_command(f"{hdlc_only} {{option}}"), sent, option)
    assert mine == received(OWN_DECODER, sent, option)
    assert {str(e.status) for e in mine if isinstance(e, FrameReceived)} > {
        "good",
        "fcs",
        "abort",
        "unaligned",
    }


def test_the_c_program_serves_hdlc_and_nothing_else(hdlc_only: Path) -> None:
    receiver = receiver_command(f"{hdlc_only} 2")(LinkSettings("2", LineForm.OCTETS))
    receiver.finish()
    assert receiver.serves == receiver.delivers == {Plane.HDLC}
    assert receiver.state is None


def test_the_campaign_judges_what_the_c_program_serves(hdlc_only: Path) -> None:
    conditions = LinkConditions(option="2", seed=3, crafted=True, form=LineForm.OCTETS)
    texts = ("hdlc.fcs", "hdlc.abort", "hdlc.short", "ethernet.fcs", "sync.hfn", "vendor.flip", "iq.flip")
    under_test = receiver_command(f"{hdlc_only} {{option}}")
    cases = [Case(()), *(Case((text,)) for text in texts)]
    done = run_campaign(conditions, cases, receiver=under_test, known_answers=True)
    words = {result.case.name: result.verdict for result in done.results}
    assert words.pop("baseline") is Verdict.CLEAN
    assert {name for name, verdict in words.items() if verdict is Verdict.LEFT_OUT} == {*texts[3:]}
    assert {verdict for name, verdict in words.items() if name in texts[:3]} == {Verdict.DETECTED}
    proven = {answer.plane for answer in done.answers if answer.outcome is Outcome.PASS}
    assert proven == {Plane.HDLC}
    assert [answer for answer in done.answers if answer.outcome is Outcome.FAIL] == []
    assert done.served.serves == {Plane.HDLC}


def test_a_wrong_c_program_does_not_pass(hdlc_only: Path, tmp_path: Path) -> None:
    """The same with its FCS preset to zero."""
    source = tmp_path / "wrong.c"
    text = C_SOURCE.read_text()
    assert "fcs = 0xFFFF" in text
    source.write_text(text.replace("fcs = 0xFFFF", "fcs = 0"))
    program = tmp_path / "wrong"
    compiler = shutil.which("cc") or shutil.which("gcc") or "cc"
    subprocess.run([compiler, "-std=c99", "-o", str(program), str(source)], check=True, timeout=60)
    done = run_campaign(
        LinkConditions(option="2", seed=3, crafted=True, form=LineForm.OCTETS),
        [Case(())],
        receiver=receiver_command(f"{program} {{option}}"),
        known_answers=True,
    )
    assert not done.results[0].passed
    wrong = {answer.rule for answer in done.answers if answer.outcome is Outcome.FAIL}
    assert "FCS-16 over address to information" in wrong


def test_the_program_itself_can_stand_behind_the_option() -> None:
    """As RECEIVERS.md says: `decode --json` tells counters and the state, and so delivers nothing."""
    words = [
        sys.executable,
        "-m",
        "monitor",
        "decode",
        "-",
        "--option",
        "{option}",
        "--form",
        "{form}",
        "--json",
    ]
    receiver = receiver_command(shlex.join(words))(LinkSettings("2", LineForm.BITS))
    sent = transmit(LinkConditions(option="2", seed=3), [parse_fault("hdlc.fcs@12")], 48)
    events = [event for chunk in sent.chunks for event in receiver.receive(chunk)]
    assert [*events, *receiver.finish()] == []
    assert receiver.counters["hdlc_fcs_errors"] == 1
    assert receiver.state == "HFNSYNC"
    assert receiver.serves == EVERY_PLANE
    assert not receiver.delivers
