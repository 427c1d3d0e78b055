"""Delay through resets of the emulated boards, from the line bits to the command's verdict."""

import json
import time
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from decoders.linerates import option_named
from decoders.link_delay.delay import Compensation, fibre_delay_ns
from monitor.cli.main import main
from monitor.delay.run import DelayRun
from monitor.delay.samples import DelaySample, DelayStatus, LineReading, loop_delay_bits, read_line
from monitor.emulation.cable import Cable
from monitor.emulation.crafting import craft
from monitor.emulation.line_settings import LineSettings
from monitor.emulation.transceiver import BoardSettings, EmulatedBoard
from monitor.errors import InputError
from monitor.reports.delay_text import delay_lines, strip_chart


def measured(resets: int = 60, **settings) -> DelayStatus:
    run = DelayRun(EmulatedBoard(BoardSettings(**settings)), resets)
    while not run.done:
        run.step()
    return run.status()


def kinds(status: DelayStatus) -> list[tuple[str, str]]:
    return [(f.kind, f.where) for f in status.findings]


@pytest.mark.parametrize("option", ["1", "2", "3", "4", "7"])
def test_delay_stays_while_the_count_moves(option):
    """120 clocks less k is what is counted; 2 x (12 clocks + 150 m of fibre) is what is there."""
    status = measured(40, option=option)
    line = option_named(option)
    interval = 1e9 / line.line_rate_bps
    bits = 2 * (120 + round(fibre_delay_ns(150.0) / interval))
    assert status.verdict == "pass"
    assert {s.line.round_trip_bits for s in status.samples} == {bits}
    assert status.spread_ns < 1e-6
    assert status.mean.value_ns == pytest.approx(bits * interval)
    assert status.raw_spread_ns == pytest.approx(9 * interval)
    for sample in status.samples:
        assert sample.raw_clocks * 10 + sample.alignment_offset == pytest.approx(bits)
        assert sample.line.alignment_offset == sample.alignment_offset


def test_two_hundred_resets_see_all_ten_offsets():
    status = measured(200, option="2")
    assert (status.verdict, status.findings, status.resets) == ("pass", (), 200)
    (covered,) = status.coverage
    assert covered.never_seen == () and sum(covered.counts) == 200
    assert covered.resets_for_99_percent == 66
    assert status.diagnosis.near is Compensation.CORRECT and status.diagnosis.steady
    assert status.within_one_clock and status.within_one_way_limit and status.within_round_trip_limit


@pytest.mark.parametrize(
    ("compensation", "kind", "spread_ui"),
    [
        ("missing", "compensation-missing", 9),
        ("wrong-sign", "compensation-wrong-sign", 18),
        ("off-by-one", "compensation-off-by-one", 10),
    ],
)
@pytest.mark.parametrize("option", ["2", "4"])
def test_faulty_compensation_is_named(option, compensation, kind, spread_ui):
    status = measured(option=option, compensation=Compensation(compensation))
    assert kinds(status) == [(kind, "REC-A")]
    assert status.verdict == "fail"
    assert status.spread_ns == pytest.approx(spread_ui * status.unit_interval_ns)


def test_each_end_of_a_pair_is_told_apart():
    status = measured(pair=True)
    assert status.verdict == "pass" and status.spread_ns < 1e-6
    assert status.raw_spread_ns > 9 * status.unit_interval_ns
    assert len(status.coverage) == 2
    status = measured(pair=True, far_compensation=Compensation.WRONG_SIGN)
    assert kinds(status) == [("compensation-wrong-sign", "RE-1")]
    status = measured(pair=True, compensation=Compensation.MISSING, far_compensation=Compensation.OFF_BY_ONE)
    assert kinds(status) == [("compensation-missing", "REC-A"), ("compensation-off-by-one", "RE-1")]


def test_the_far_end_moves_t14_on_the_line():
    """RE-1 sends by its recovered clock: its k takes T14 along, and REC-A's marker comes its own k earlier."""
    samples = measured(40, pair=True).samples
    t14 = {s.line.t14_bits + s.far_alignment_offset for s in samples}
    assert t14 == {samples[0].line.round_trip_bits + 416 * 10}
    assert len({s.line.t14_bits for s in samples}) == 10
    for s in samples:
        assert s.raw_clocks * 10 + s.alignment_offset == pytest.approx(s.line.t14_bits)


def test_step_after_the_hundredth_reset():
    status = measured(150, step_clocks=2, step_after=100)
    (finding,) = status.findings
    assert (finding.kind, finding.where) == ("delay-step", "reset 100")
    assert "+2.00 clocks (+16.276 ns) after reset 100" in finding.text
    assert "the sync marker on the line shows the same step" in finding.text
    assert not status.within_one_clock and not status.within_one_way_limit and status.within_round_trip_limit


def test_drift_is_told_from_what_resets_do():
    status = measured(120, drift_clocks=3.0, drift_resets=120)
    (finding,) = status.findings
    assert finding.kind == "drift" and "+3.00 clocks" in finding.text
    assert status.diagnosis.near is Compensation.CORRECT
    assert status.diagnosis.residual_ui < 0.1
    assert status.verdict == "fail"


def test_little_drift_is_a_note():
    status = measured(60, drift_clocks=0.08, drift_resets=60)
    (finding,) = status.findings
    assert (finding.kind, finding.fails, status.verdict) == ("drift", False, "pass")


def test_few_resets_are_judged_by_the_line():
    """Below ten resets no pattern is looked for, but the sync marker knows the delay."""
    assert kinds(measured(3, compensation=Compensation.MISSING)) == [("compensation-missing", "REC-A")]
    assert kinds(measured(3, compensation=Compensation.WRONG_SIGN)) == [("compensation-wrong-sign", "REC-A")]
    status = measured(3)
    assert status.verdict == "pass" and "sync marker" in status.words[0]


def test_whole_clocks():
    status = measured(resolution_ui=10.0)
    assert status.verdict == "pass"
    assert all(sample.raw_clocks == int(sample.raw_clocks) for sample in status.samples)
    assert status.spread_ns == pytest.approx(9 * status.unit_interval_ns)
    assert status.mean.u_ns > status.clock_period_ns / 2 / 3**0.5
    assert kinds(measured(resolution_ui=10.0, compensation=Compensation.MISSING)) == [
        ("compensation-missing", "REC-A")
    ]


def test_same_seed_same_series():
    assert measured(12, seed=5).samples == measured(12, seed=5).samples
    assert measured(12, seed=5).samples != measured(12, seed=6).samples


def test_one_transceiver_alone_is_reset():
    board = EmulatedBoard(BoardSettings(pair=True))
    near, far = board.alignment_offset, set()
    for _ in range(20):
        board.reset_transceiver("RE-1")
        far.add(board.measure().far_alignment_offset)
    assert board.alignment_offset == near and len(far) > 3


class BoardOfNumbers:
    """A board without line bits, as one on a serial port would be; `alter` changes each sample."""

    description, option, names = "numbers", "2", ("REC-A",)

    def __init__(self, alter=lambda number, sample: sample):
        self.number, self.alter = 0, alter
        self.offsets = np.random.default_rng(3).integers(0, 10, 1000).tolist()

    def reset(self):
        self.number += 1

    def measure(self):
        k = self.offsets[self.number]
        sample = DelaySample(k, None, (2000 - k) / 10, 200.0, 8.138020833, 10, 1.0)
        return self.alter(self.number, sample)


def run_on(board, resets=50) -> DelayStatus:
    run = DelayRun(board, resets)
    while not run.done:
        run.step()
    return run.status()


def test_board_without_line_bits():
    status = run_on(BoardOfNumbers())
    assert status.verdict == "pass"
    status = run_on(
        BoardOfNumbers(
            lambda n, s: replace(s, compensated_clocks=200.0 - (n > 20) * 1.0 - s.alignment_offset / 10)
        )
    )
    assert [f.kind for f in status.findings] == ["compensation-missing", "delay-step"]
    assert "no line bits" in status.findings[1].text


def test_register_against_the_line():
    def wrong(number, sample):
        line = LineReading(sample.alignment_offset if number != 7 else 11, None, 2000)
        return replace(sample, line=line)

    status = run_on(BoardOfNumbers(wrong))
    assert kinds(status) == [("register-disagrees", "REC-A")]
    assert "1 reset, first at reset 7" in status.findings[0].text


def test_constant_error_shows_against_the_marker():
    status = run_on(BoardOfNumbers(lambda n, s: replace(s, line=LineReading(s.alignment_offset, None, 1995))))
    assert kinds(status) == [("marker-bias", "REC-A")]


def test_scatter_without_a_reason():
    random = np.random.default_rng(1)
    status = run_on(BoardOfNumbers(lambda n, s: replace(s, compensated_clocks=200 + random.uniform(-1, 1))))
    assert [f.kind for f in status.findings] == ["scatter"]
    assert status.verdict == "fail"


@pytest.mark.parametrize(("clocks", "verdict"), [(1.0, "pass"), (1.1, "fail")])
def test_limits_alone_decide_where_nothing_else_can(clocks, verdict):
    """Five resets are too few for causes, and this board has no line to look at."""
    status = run_on(BoardOfNumbers(lambda n, s: replace(s, compensated_clocks=200 + clocks * (n > 2))), 5)
    assert status.verdict == verdict
    assert [f.kind for f in status.findings] == ["limit"] * (verdict == "fail")
    assert status.within_one_clock == status.within_one_way_limit == (verdict == "pass")


def test_step_in_the_count_only():
    def wrong(number, sample):
        clocks = 200.0 + (number > 30)
        return replace(
            sample, compensated_clocks=clocks, line=LineReading(sample.alignment_offset, None, 2000)
        )

    status = run_on(BoardOfNumbers(wrong))
    assert "the step is in the count, not on the line" in status.findings[0].text


def test_status_before_and_during_a_run():
    run = DelayRun(BoardOfNumbers(), 5)
    assert run.status().verdict == "pending" and run.status().samples == ()
    run.step()
    first = run.status()
    run.step()
    assert (first.resets, run.status().resets, run.done) == (1, 2, False)
    assert (first.verdict, first.complete) == ("incomplete", False)
    assert first.mean is None and run.status().mean is not None
    with pytest.raises(FrozenInstanceError):
        first.verdict = "pass"
    with pytest.raises(InputError):
        DelayRun(BoardOfNumbers(), 0)


@pytest.mark.parametrize(
    "settings",
    [
        {"option": "8", "line": LineSettings(scrambling=1)},
        {"hyperframes": 4},
        {"length_m": -1.0},
        {"drift_clocks": 1.0, "drift_resets": 1},
    ],
)
def test_boards_that_cannot_be(settings):
    with pytest.raises(InputError):
        EmulatedBoard(BoardSettings(**settings))


def test_block_offset_is_the_offset_at_64b66b():
    """Up to 65 unit intervals of a block; by the sync marker the delay is the same to the bit."""
    run = DelayRun(EmulatedBoard(BoardSettings(option="7A", pair=True, seed=4)), 6)
    while not run.done:
        run.step()
    status = run.status()
    assert status.verdict == "pass"
    assert max(s.alignment_offset for s in status.samples) > 9
    assert all(s.line.alignment_offset == s.alignment_offset for s in status.samples)
    assert len({s.line.round_trip_bits for s in status.samples}) == 1
    assert [len(c.counts) for c in status.coverage] == [66, 66]


def test_with_fec_there_are_numbers_and_no_verdict():
    run = DelayRun(EmulatedBoard(BoardSettings(option="7A", seed=4, line=LineSettings(fec=True))), 4)
    while not run.done:
        run.step()
    status = run.status()
    assert status.verdict == "none"
    assert "RS-FEC" in status.words[-1]
    assert status.spread_ns > status.clock_period_ns
    assert all(s.line.alignment_offset == s.alignment_offset for s in status.samples)


# --- recorded loops -----------------------------------------------------------------------------------------


def recorded(delay_bits: int, hyperframes: int = 8) -> tuple[bytes, bytes]:
    from decoders.line_coding.characters import LineForm
    from decoders.link.settings import SenderSettings

    parts: list[bytes] = []
    craft(SenderSettings(option="1", hdlc_rate_code=2), hyperframes, LineForm.BITS, parts.append)
    sent = b"".join(parts)
    cable = Cable(delay_bits)
    return sent, cable.carry(sent) + cable.finish()


@pytest.mark.parametrize("delay_bits", [0, 1, 9, 10, 1237, 40960, 3 * 40960 + 5])
def test_recorded_loop_to_the_bit(delay_bits):
    sent, received = recorded(delay_bits)
    _, first = read_line(sent, "1")
    offset, second = read_line(received, "1")
    assert loop_delay_bits(first, second) == delay_bits
    assert offset == delay_bits % 10


def test_lines_from_which_nothing_can_be_read():
    sent, received = recorded(7, 12)
    with pytest.raises(InputError, match="no hyperframes"):
        read_line(bytes(50_000), "1")
    with pytest.raises(InputError, match="sync was lost"):
        read_line(received[:20_000] + bytes(30_000) + received[20_003:], "1")
    _, first = read_line(sent[: 5 * 5120], "1")
    _, late = read_line(sent[6 * 5120 :], "1")
    with pytest.raises(InputError, match="no hyperframe is common to both"):
        loop_delay_bits(first, late)


# --- command ------------------------------------------------------------------------------------------------


def test_command_passes_and_fails(capsys):
    assert main(["delay", "emulated", "--resets", "30", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert (record["schema"], record["verdict"], record["resets"]) == ("framefray.delay/1", "pass", 30)
    assert (record["planned"], record["complete"]) == (30, True)
    assert len(record["samples"]) == 30 and record["limits"]["tc_32"]["within"]
    assert main(["delay", "emulated:pair", "--resets", "30", "--compensation", "missing", "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert [f["kind"] for f in record["findings"]] == ["compensation-missing"]
    assert record["diagnosis"]["compensation"] == "missing"
    assert main(["delay", "emulated", "--resets", "40", "--step", "2@20", "--ascii"]) == 1
    out = capsys.readouterr().out
    assert out.isascii() and "after reset 20" in out.splitlines()[-1]


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["file.bits"],
        ["emulated:three"],
        ["emulated", "--step", "x"],
        ["emulated", "--step", "2@500", "--resets", "100"],
        ["emulated", "--step=-90@5"],
        ["emulated", "--drift", "nan"],
        ["emulated", "--drift", "1", "--resets", "1"],
        ["emulated", "--length=-3"],
        ["emulated", "--option", "8", "--scrambling", "5"],
        ["emulated", "--remote-compensation", "missing"],
        ["emulated", "--replace", "RE-1=4"],
        ["missing.bits", "--received", "missing.bits", "--option", "2"],
        ["missing.bits", "--received", "missing.bits"],
        ["--hops", "missing.toml"],
    ],
)
def test_command_says_what_is_wrong_in_one_line(words, capsys):
    assert main(["delay", *words]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and said.err.startswith("framefray: ")


def test_command_on_two_captures(tmp_path, capsys):
    sent, received = recorded(1237)
    (tmp_path / "sent.bits").write_bytes(sent)
    (tmp_path / "received.bits").write_bytes(received)
    words = [
        "delay",
        str(tmp_path / "sent.bits"),
        "--received",
        str(tmp_path / "received.bits"),
        "--option",
        "1",
    ]
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["marker_bits"] == 1237
    (tmp_path / "received.bits").write_bytes(bytes(9000))
    assert main(words) == 2
    assert "received.bits" in capsys.readouterr().err


def test_page(tmp_path, capsys):
    page = tmp_path / "delay.html"
    assert main(["delay", "emulated", "--resets", "12", "--html", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert text.count("<circle") == 24 and "<script" not in text and "<strong>pass</strong>" in text
    assert main(["delay", "emulated", "--resets", "2", "--html", str(tmp_path / "no" / "x.html")]) == 2


def test_page_escapes_what_a_board_says():
    from monitor.reports.delay_html import delay_page

    status = replace(run_on(BoardOfNumbers(), 12), description="<script>alert(1)</script>")
    assert "<script>" not in delay_page(status)


def test_strip_chart():
    lines = strip_chart([0.0, 1.0, -1.0, 9.0], -2.0, 2.0, rows=4, ascii_only=True)
    assert [line.partition("|")[2] for line in lines] == [" # #", "#   ", "  # ", "    "]
    assert len(strip_chart([1.0] * 500, -2.0, 2.0)[0].partition("│")[2]) == 64


def test_text_of_a_run():
    text = "\n".join(delay_lines(measured(30, pair=True)))
    assert "█" in text and "RE-1: alignment offsets (offset:times)" in text and "one way" in text
    assert all(line.isprintable() for line in text.split("\n"))


def test_a_thousand_resets_are_affordable():
    """At most 60 ms a reset, so that 1000 take no minute."""
    start = time.process_time()
    measured(20, option="4")
    assert time.process_time() - start < 20 * 0.06
