"""The segment in the text of a fault."""

from __future__ import annotations

import pytest

from monitor.errors import InputError
from monitor.faults.segments import fault_and_segment


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("hdlc.fcs@40", ("hdlc.fcs@40", None)),
        ("hdlc.fcs@40:segment=RE-1>RE-2", ("hdlc.fcs@40", "RE-1>RE-2")),
        ("vendor.flip:segment=A>B,ns=20", ("vendor.flip:ns=20", "A>B")),
        ("vendor.flip@1:ns=20, segment = A>B ,bit=3", ("vendor.flip@1:ns=20,bit=3", "A>B")),
        ("vendor.flip:segments=A>B", ("vendor.flip:segments=A>B", None)),
    ],
)
def test_is_taken_out(text: str, parts: tuple[str, str | None]) -> None:
    assert fault_and_segment(text) == parts


def test_only_one_can_be_named() -> None:
    with pytest.raises(InputError, match="two segments"):
        fault_and_segment("line.flip:segment=A>B,segment=B>A")
