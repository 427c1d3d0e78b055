"""The decoder of a point reads what the point's option and form say."""

from __future__ import annotations

from decoders.line_coding.characters import LineForm
from monitor.acceptance.rig import Restart, StreamPoint, point_decoder


def test_a_points_decoder() -> None:
    decoder = point_decoder(StreamPoint("p", "4", LineForm.SYMBOLS))
    assert decoder.option.name == "4" and decoder.settings.form is LineForm.SYMBOLS


def test_a_restart_without_a_far_end_waits_for_no_answer() -> None:
    restart = Restart(streams=None)  # type: ignore[arg-type]
    assert restart.answers is None and restart.counted is None and not restart.dark_hyperframes
