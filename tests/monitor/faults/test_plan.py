"""Plans of faults: what they work out to, and that what is wrong is told with file, key and line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.cli.main import main
from monitor.emulation.crafting import craft
from monitor.errors import InputError
from monitor.faults.plan import MOST_FAULTS, read_fault_plan, read_plan_text

OPTION = option_named("2")

PLAN = """\
# what a morning brings
[[fault]]
kind = "hdlc.fcs"
hyperframe = 20
period = 15
repeat = 3
set = { xor = 0x8000 }

[[together]]
hyperframe = 70
faults = ["sync.hfn:value=200", "ethernet.code:group=0"]

[[burst]]
hyperframe = 90
repeat = 2
period = 20
count = 6
span = 30
seed = 3
"""


def texts(plan: str, hyperframes: int = 150) -> list[str]:
    return [fault.text for fault in read_plan_text(plan).faults(OPTION, hyperframes)]


def test_faults_are_repeated_and_combined_in_time_order() -> None:
    faults = texts(PLAN)
    assert faults[:5] == [
        "hdlc.fcs@20:xor=32768,octets=0",
        "hdlc.fcs@35:xor=32768,octets=0",
        "hdlc.fcs@50:xor=32768,octets=0",
        "sync.hfn@70:value=200",
        "ethernet.code@70:at=40,group=0",
    ]
    assert [text.split(":", maxsplit=1)[0] for text in faults[5:]] == ["line.burst@90", "line.burst@110"]


def test_bursts_lie_elsewhere_each_time_and_where_they_did_the_last_time() -> None:
    faults = texts(PLAN)
    assert faults == texts(PLAN)
    assert faults[5].split(":")[1] != faults[6].split(":")[1]
    assert texts(PLAN.replace("seed = 3", "seed = 4"))[5] != faults[5]


def test_bit_errors_come_at_their_ratio() -> None:
    plan = "[[bit_errors]]\nratio = 1e-4\nseed = 9\nhyperframe = 50\nhyperframes = 40\n"
    faults = read_plan_text(plan).faults(OPTION, 100)
    expected = 1e-4 * 40 * OPTION.hyperframe_line_bits
    # Within four standard deviations of a binomial count.
    assert abs(len(faults) - expected) < 4 * expected**0.5
    assert {fault.kind.name for fault in faults} == {"line.flip"}
    assert all(50 <= (fault.hyperframe or 0) < 90 for fault in faults)
    assert len({fault.text for fault in faults}) == len(faults)
    assert [f.text for f in faults] == [f.text for f in read_plan_text(plan).faults(OPTION, 100)]
    assert len({fault.values["x"] for fault in faults}) > 150


def test_bit_errors_go_on_to_the_end() -> None:
    faults = read_plan_text("[[bit_errors]]\nratio = 1e-4\n").faults(OPTION, 60)
    assert max(fault.hyperframe or 0 for fault in faults) >= 58


def test_crafted_plan_is_received_as_its_truth_says() -> None:
    data = bytearray()
    faults = read_plan_text(PLAN + "\n[[bit_errors]]\nratio = 5e-6\nhyperframe = 125\n").faults(OPTION, 150)
    made = craft(SenderSettings(), 150, LineForm.BITS, data.extend, faults=faults)
    decoder = LinkDecoder(LinkSettings(form=LineForm.BITS))
    decoder.receive(bytes(data))
    decoder.finish()
    assert decoder.counters == made.truth["counters"]
    assert decoder.counters["hdlc_fcs_errors"] >= 3
    assert decoder.counters["hfn_invalid"] == 1
    assert decoder.counters["ethernet_code_errors"] >= 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[fault]\nkind = 1", r"plan: not TOML: .*line 1"),
        (
            '[[fault]]\nhyperframe = 3\nkind = "hdlc.fsc"\n',
            r"plan, line 3: fault\.kind: .*did you mean hdlc\.fcs",
        ),
        (
            '[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 3\n\n[[fault]]\nkind = "hdlc.fcs"\nhyperframe = -1\n',
            r"plan, line 7: fault\.hyperframe: .*>= 0",
        ),
        ('[[fault]]\nkind = "hdlc.fcs"\n', r"plan, line 1: .*hyperframe"),
        (
            '[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 1\nevery = 2\n',
            r"plan, line 4: fault\.every: .*unknown",
        ),
        (
            '[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 1\nset = { xor = 0 }\n',
            r"plan, line 4: fault\.set: .*out of range",
        ),
        (
            '[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 1\nset = { xor = "a" }\n',
            r"plan, line 4: fault\.set: Expected `int`",
        ),
        (
            '[[together]]\nhyperframe = 1\nfaults = ["no.such"]\n',
            r"plan, line 3: together\.faults: .*no\.such",
        ),
        ("[[bit_errors]]\nratio = 2.0\n", r"plan, line 2: bit_errors\.ratio: .*0\.5"),
        ("[[burst]]\nhyperframe = 1\nrepeat = 0\n", r"plan, line 3: burst\.repeat: .*>= 1"),
        (f"speed = {'9' * 5000}\n", "plan: not TOML: Exceeds the limit"),
        ("speed = " + 20_000 * "[", "plan: not a plan: nested too deeply"),
        (f"[[burst]]\nhyperframe = 0x{'f' * 5000}\n", r"plan, line 2: burst\.hyperframe: Expected `int` <= "),
        (
            f'[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 1\nset = {{ xor = 0x{"f" * 5000} }}\n',
            r"plan, line 4: fault\.set: Expected `int` <= ",
        ),
        ("speed = 3\n", r"plan, line 1: speed: .*unknown"),
        ("fault = 3\n", r"plan, line 1: fault: Expected `array`"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_plan_text(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 100\n', r"line 3: fault\.hyperframe: .*ends with 99"),
        (
            '[[fault]]\nkind = "hdlc.fcs"\nhyperframe = 90\nrepeat = 11\n',
            r"line 4: fault\.repeat: .*at hyperframe 100",
        ),
        ("[[bit_errors]]\nratio = 0.1\n", rf"line 2: bit_errors\.ratio: .*at most {MOST_FAULTS}"),
        (
            "[[bit_errors]]\nratio = 0.1\nhyperframe = 100\n",
            r"line 3: bit_errors\.hyperframe: .*beyond the end",
        ),
        (
            "[[burst]]\nhyperframe = 1\nspan = 9000\n",
            r"line 2: burst\.hyperframe: .*span=9000 is out of range",
        ),
        (
            "[[burst]]\nhyperframe = 1\nspan = 900000\n",
            r"line 2: burst\.hyperframe: .*span=900000 is out of range",
        ),
    ],
)
def test_what_does_not_fit_the_stream_is_told_with_its_line(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_plan_text(text).faults(OPTION, 100)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        read_fault_plan(tmp_path / "none.toml")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        read_fault_plan(bad)


def test_craft_takes_a_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan, out, truth = tmp_path / "plan.toml", tmp_path / "out.symbols", tmp_path / "truth.json"
    plan.write_text('[[fault]]\nkind = "vendor.flip"\nhyperframe = 10\nrepeat = 2\nperiod = 5\n')
    words = ["craft", str(out), "--hyperframes", "30", "--plan", str(plan), "--truth", str(truth)]
    assert main([*words, "--fault", "sync.comma@22"]) == 0
    counters = json.loads(truth.read_text())["counters"]
    assert (counters["vendor_changes"], counters["missed_sync_bytes"]) == (4, 1)
    plan.write_text('[[fault]]\nkind = "vendor.flip"\nhyperframe = 10\nset = { ns = 50 }\n')
    capsys.readouterr()
    assert main(words) == 2
    told = capsys.readouterr().err
    assert f"{plan}, line 3: fault.hyperframe: fault vendor.flip: ns=50 is not vendor specific" in told
