"""IQ samples as .npy (numpy reads them) and SigMF (keys of its specification 1.2)."""

import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from decoders.user_plane.iq_map import IqMap
from monitor.cli.main import main
from monitor.exports.iq_files import NpyFile
from tests.support.exports import TONES_IQ, craft, tone


@pytest.mark.parametrize("index", [0, 1])
def test_npy_holds_the_tone_that_was_sent(clean: Path, tmp_path: Path, index: int) -> None:
    out = tmp_path / "tone.npy"
    assert main(["export", str(clean), str(out), "--iq", TONES_IQ, "--axc", f"A{index}"]) == 0
    samples = np.load(out)
    assert samples.dtype == np.dtype("<i2") and samples.shape == (20 * 1024, 2)
    np.testing.assert_array_equal(samples, tone(index, len(samples)))
    mapped = np.load(out, mmap_mode="r")
    assert mapped.offset % 64 == 0  # numpy's own alignment


def test_a_stray_place_gives_other_samples(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "stray.npy"
    assert main(["export", str(clean), str(out), "--iq", "M=15,fs=15.36,b=2"]) == 0
    assert not np.array_equal(np.load(out), tone(0, 20 * 1024))


def test_wide_samples_become_four_octets(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "wide.npy"
    assert main(["export", str(clean), str(out), "--iq", "M=18,fs=7.68"]) == 0
    assert np.load(out).dtype == np.dtype("<i4")


@pytest.mark.parametrize("counts", [(0,), (5, 0, 7), (1000,)])
def test_npy_header_keeps_its_size_whatever_the_length(counts: tuple[int, ...]) -> None:
    stream = io.BytesIO()
    file = NpyFile(stream, np.dtype("<i2"))
    size = stream.tell()
    parts = [np.arange(2 * n, dtype=np.int16).reshape(n, 2) for n in counts]
    for part in parts:
        file.write(part)
    file.close()
    assert stream.tell() == size and size % 64 == 0
    stream.seek(0)
    np.testing.assert_array_equal(np.load(stream), np.concatenate(parts))


def test_samples_after_lost_sync_are_marked(tmp_path: Path) -> None:
    """K = 2 blocks: what comes after the loss begins with a whole block again."""
    capture = craft(tmp_path / "lost.flagged", "--fault", "sync.comma@20:count=4", hyperframes=40)
    meta, data = tmp_path / "lost.sigmf-meta", tmp_path / "lost.sigmf-data"
    assert main(["export", str(capture), str(data), "--iq", "M=15,fs=1.92"]) == 0
    document = json.loads(meta.read_text())
    (note,) = document["annotations"]
    decoder = LinkDecoder(LinkSettings(option="2", form=LineForm.FLAGGED))
    decoder.receive(capture.read_bytes())
    decoder.finish()
    assert data.stat().st_size == decoder.hyperframes * 128 * 4
    assert note["core:sample_start"] == 22 * 128
    assert "lost" in note["core:comment"]


def test_blocks_begin_where_the_frame_number_says(tmp_path: Path) -> None:
    """K = 3 basic frames a block, which 256 is no multiple of: first at HFN 7, then once more after lost sync."""
    fault = ["--fault", "sync.comma@20:count=4", "--hfn", "7"]
    capture = craft(tmp_path / "lost.flagged", *fault, hyperframes=40)
    plain = craft(tmp_path / "lost.octets", *fault, hyperframes=40)
    rows = np.fromfile(plain, np.uint8).reshape(-1, 16, 2)[:, 1:]
    iq_map = IqMap.parse(option_named("2"), "M=15,fs=1.28")
    # Hyperframes 22 and 23 are lost: the third and fourth sync byte in a row are not there.
    expected = [
        iq_map.unpack(rows[first * 256 : last * 256], (7 + first) * 256)["A0"]
        for first, last in ((0, 22), (24, 40))
    ]
    out = tmp_path / "lost.npy"
    assert main(["export", str(capture), str(out), "--iq", "M=15,fs=1.28"]) == 0
    np.testing.assert_array_equal(np.load(out), np.concatenate(expected))


@pytest.mark.parametrize("asked", ["tone.sigmf-meta", "tone.sigmf-data"])
def test_sigmf_has_the_keys_of_its_specification(clean: Path, tmp_path: Path, asked: str) -> None:
    assert main(["export", str(clean), str(tmp_path / asked), "--iq", TONES_IQ, "--axc", "A0"]) == 0
    data = (tmp_path / "tone.sigmf-data").read_bytes()
    document = json.loads((tmp_path / "tone.sigmf-meta").read_text())
    assert set(document) == {"global", "captures", "annotations"}
    head = document["global"]
    assert all(key.startswith("core:") for key in head)
    assert head["core:datatype"] == "ci16_le"
    assert head["core:sample_rate"] == 15_360_000
    assert [part.isdecimal() for part in head["core:version"].split(".")] == [True] * 3
    assert head["core:sha512"] == hashlib.sha512(data).hexdigest()
    assert document["captures"] == [{"core:sample_start": 0}]
    assert document["annotations"] == []
    samples = np.frombuffer(data, "<i2").reshape(-1, 2)
    np.testing.assert_array_equal(samples, tone(0, 20 * 1024))
