"""BFN and HFN that the text of an acknowledgement names."""

from __future__ import annotations

import re

from decoders.linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME

__all__ = ["sent_in"]

_SENT_IN = re.compile(r"\bBFN (\d{1,4}) HFN (\d{1,3})\b")


def sent_in(text: str) -> tuple[int, int] | None:
    """(BFN, HFN) of the hyperframe that a fault is sent in, written `BFN 17 HFN 40`; None where it names none."""
    found = _SENT_IN.search(text)
    if found is None:
        return None
    bfn, hfn = int(found[1]), int(found[2])
    return (bfn, hfn) if bfn < BFN_MODULUS and hfn < HYPERFRAMES_PER_FRAME else None
