"""BFN and HFN in the text of an acknowledgement, as PROTOCOL.md section 6 writes them."""

from __future__ import annotations

import pytest

from monitor.boards.sent_in import sent_in


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("vendor.value@40:ns=20; BFN 17 HFN 40", (17, 40)),
        ("BFN 0 HFN 0", (0, 0)),
        ("BFN 4095 HFN 149 and more", (4095, 149)),
        ("BFN 4096 HFN 0", None),
        ("BFN 1 HFN 150", None),
        ("BFN 12345 HFN 1", None),
        ("xBFN 1 HFN 1", None),
        ("hfn 1 bfn 2", None),
        ("", None),
    ],
)
def test_the_text_names_a_hyperframe_or_none(text: str, place: tuple[int, int] | None) -> None:
    assert sent_in(text) == place
