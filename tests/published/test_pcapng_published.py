"""Exported packets against readers and rules from outside the project.

- dpkt (PyPI): reads the file by its own code.
- draft-ietf-opsawg-pcapng (PCAP Next Generation): section, interface and packet blocks, option and flag numbers.
- The IANA registry of pcap link types: 1 Ethernet, 147 the first of those for private use.
- zlib's CRC-32 and crccheck's CRC-16/X-25 (PyPI): the check sequences that the file carries.
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import dpkt  # type: ignore[import-untyped]
import pytest
from crccheck.crc import CrcX25  # type: ignore[import-untyped]

from decoders.link.encoder import LinkEncoder
from decoders.link.settings import SenderSettings
from monitor.cli.main import main

FAULTS = (
    "ethernet.fcs@20",
    "ethernet.fcs@60:xor=0x80",
    "ethernet.code@90",
    "hdlc.fcs@30",
    "hdlc.abort@100",
)
CRC_ERROR, SYMBOL_ERROR = 1 << 24, 1 << 31


@dataclass
class Made:
    file: Path
    truth: dict[str, Any]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("pcapng")
    capture, truth, out = folder / "made.flagged", folder / "truth.json", folder / "made.pcapng"
    faults = [word for fault in FAULTS for word in ("--fault", fault)]
    arguments = ["--option", "2", "--hyperframes", "150", *faults, "--truth", str(truth)]
    assert main(["craft", str(capture), *arguments]) == 0
    assert main(["export", str(capture), str(out)]) == 0
    return Made(out, json.loads(truth.read_text()))


def blocks(data: bytes) -> list[tuple[int, bytes]]:
    """(type, body) of every block; the length stands at both ends of a block and is a multiple of 4."""
    found, at = [], 0
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        assert length % 4 == 0
        assert struct.unpack_from("<I", data, at + length - 4) == (length,)
        found.append((kind, data[at + 8 : at + length - 4]))
        at += length
    assert at == len(data)
    return found


def options(data: bytes) -> dict[int, bytes]:
    found, at = {}, 0
    while at < len(data):
        code, length = struct.unpack_from("<HH", data, at)
        found[code] = data[at + 4 : at + 4 + length]
        at += 4 + length + -length % 4
    assert list(found)[-1] == 0
    return found


def packets(data: bytes, whole: bool = True) -> list[tuple[int, int, bytes, dict[int, bytes]]]:
    """(interface, time in ns, octets, options) of each Enhanced Packet Block; all `whole`, or all cut."""
    found = []
    for kind, body in blocks(data):
        if kind == 6:
            interface, high, low, captured, original = struct.unpack_from("<IIIII", body)
            assert (captured == original) is whole
            rest = options(body[20 + captured + -captured % 4 :])
            found.append((interface, high << 32 | low, body[20 : 20 + captured], rest))
    return found


def test_dpkt_reads_every_frame_in_its_order(made: Made) -> None:
    with made.file.open("rb") as file:
        reader = dpkt.pcapng.Reader(file)
        assert reader.datalink() == dpkt.pcapng.DLT_EN10MB
        read = list(reader)
    frames = made.truth["frames"]
    assert [data.hex() for _, data in read] == [f["data"] + f["fcs"] for f in frames]
    assert [time for time, _ in read] == pytest.approx([f["hyperframe"] / 15_000 for f in frames], abs=1e-9)


def test_dpkt_finds_the_check_sequences_good_and_bad(made: Made) -> None:
    with made.file.open("rb") as file:
        read = [data for _, data in dpkt.pcapng.Reader(file)]
    good = bad = broken = 0
    # dpkt does not hand out a packet's interface and flags.
    for (interface, _, same, rest), data in zip(packets(made.file.read_bytes()), read, strict=True):
        assert data == same
        if struct.unpack("<I", rest[2])[0] & SYMBOL_ERROR:
            broken += 1
        elif interface == 0:
            frame = dpkt.ethernet.Ethernet(data[:-4])
            assert frame.src in (bytes.fromhex("02534d000001"), bytes.fromhex("02534d000011"))
            fits = zlib.crc32(data[:-4]).to_bytes(4, "little") == data[-4:]
            good, bad = good + fits, bad + (not fits)
    counters = made.truth["counters"]
    assert good == counters["ethernet_frames"] > 50
    assert bad == counters["ethernet_fcs_errors"] == 2
    assert broken == counters["ethernet_code_errors"] == 1


def test_slow_frames_carry_a_fitting_fcs_16(made: Made) -> None:
    slow = [
        data
        for interface, _, data, rest in packets(made.file.read_bytes())
        if interface == 1 and 1 not in rest
    ]
    assert len(slow) == made.truth["counters"]["hdlc_frames"] > 5
    for data in slow:
        assert CrcX25.calc(data[:-2]).to_bytes(2, "little") == data[-2:]


def test_section_and_interfaces_as_the_draft_has_them(made: Made) -> None:
    (first, section), *rest = blocks(made.file.read_bytes())
    assert first == 0x0A0D0D0A
    assert struct.unpack_from("<IHHq", section) == (0x1A2B3C4D, 1, 0, -1)
    interfaces = [body for kind, body in rest if kind == 1]
    assert [kind for kind, _ in rest[:2]] == [1, 1] and len(interfaces) == 2
    for body, link_type, fcs_octets in zip(interfaces, (1, 147), (4, 2), strict=True):
        assert struct.unpack_from("<HHI", body) == (link_type, 0, 0)
        described = options(body[8:])
        assert described[9] == b"\x09"
        assert described[13] == bytes([fcs_octets])
        assert b"C&M" in described[2] and b"C&M" in described[3]
    assert b"HDLC" in options(interfaces[1][8:])[3]


def test_flags_and_comments_tell_bad_frames(made: Made) -> None:
    seen = []
    frames = made.truth["frames"]
    for (interface, _, _, rest), frame in zip(packets(made.file.read_bytes()), frames, strict=True):
        assert interface == (frame["plane"] == "hdlc")
        (flags,) = struct.unpack("<I", rest[2])
        assert flags & 3 == 1  # inbound
        assert flags >> 5 & 15 == len(frame["fcs"]) // 2
        assert (1 in rest) == (frame["status"] != "good")
        if frame["status"] != "good":
            seen.append((frame["plane"], frame["status"], flags & 0xFFFF0000))
            assert rest[1].decode().startswith(frame["status"] + ":")
            assert f"hyperframe {frame['hyperframe']}," in rest[1].decode()
        else:
            assert flags >> 16 == 0
    assert sorted(seen) == [
        ("ethernet", "code", SYMBOL_ERROR),
        ("ethernet", "fcs", CRC_ERROR),
        ("ethernet", "fcs", CRC_ERROR),
        ("hdlc", "abort", 0),
        ("hdlc", "fcs", CRC_ERROR),
    ]


def test_direction_is_said(made: Made, tmp_path: Path) -> None:
    capture = made.file.with_name("made.flagged")
    for name, bits in (("outbound", 2), ("unknown", 0)):
        out = tmp_path / f"{name}.pcapng"
        assert main(["export", str(capture), str(out), "--direction", name]) == 0
        assert {struct.unpack("<I", rest[2])[0] & 3 for *_, rest in packets(out.read_bytes())} == {bits}


def test_far_too_long_frames_keep_their_length(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Packets are cut at their end; the original length stays what the sender counted (draft, section 4.3)."""
    sent = {"hdlc": bytes(i % 0x7C for i in range(4997)), "ethernet": bytes(i % 251 for i in range(16_000))}
    sender = LinkEncoder(SenderSettings(option="2", pointer_p=20, hdlc_rate_code=3))
    sender.hdlc.send(sent["hdlc"])
    sender.ethernet.send(sent["ethernet"])
    capture, out = tmp_path / "long.octets", tmp_path / "long.pcapng"
    capture.write_bytes(sender.encode(sender.hdlc.pending_octets // sender.hdlc_octets + 8).tobytes())
    lengths = {"hdlc": 4999, "ethernet": 16_004}
    assert main(["decode", str(capture), "--frames"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {line["plane"]: line["length"] for line in lines} == lengths
    assert {line["status"] for line in lines} == {"too_long"}
    assert main(["export", str(capture), str(out)]) == 0
    data = out.read_bytes()
    original = [struct.unpack_from("<IIIII", body)[4] for kind, body in blocks(data) if kind == 6]
    for (interface, _, octets, rest), length in zip(packets(data, whole=False), original, strict=True):
        plane = "hdlc" if interface else "ethernet"
        assert sent[plane].startswith(octets)
        assert length == lengths[plane]
        assert f", {length - len(octets)} octets at its end left out (" in rest[1].decode()
    with out.open("rb") as file:
        assert [len(read) for _, read in dpkt.pcapng.Reader(file)] == [
            len(p[2]) for p in packets(data, whole=False)
        ]
