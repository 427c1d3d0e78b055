"""Parameters that name a place in the hyperframe, shared by the declarations of several planes."""

from __future__ import annotations

from .kinds import Parameter

__all__ = ["BASIC_FRAME", "HYPERFRAMES", "IQ_WORD", "OCTET", "OCTET_BIT", "SYMBOL_BIT", "WORD", "XS"]

BASIC_FRAME = Parameter("x", 0, 255, 100, "", "basic frame X")
WORD = Parameter("w", 0, 15, 5, "", "word W (0 is the control word)")
IQ_WORD = Parameter("w", 1, 15, 5, "", "word W of the IQ data block")
OCTET = Parameter("y", 0, 47, 0, "", "octet Y of the word")
SYMBOL_BIT = Parameter("bit", 0, 9, 3, "", "bit of the symbol, 0 = a")
OCTET_BIT = Parameter("bit", 0, 7, 0, "", "bit of the octet")
XS = Parameter("xs", 0, 3, 1, "", "word index Xs")
HYPERFRAMES = Parameter("hyperframes", 1, 100000, 1, "hyperframes", "duration")
