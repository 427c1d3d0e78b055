"""The rules that a receiver is proven by: each with its clause, and the cases on both sides of its boundaries.

This table is the heart of the campaign. Its cases are run; the report prints it with their results as coverage. A
rule whose proof is that things arrive unchanged names the cases in which they do.
"""

from __future__ import annotations

from .cases import Case
from .cm_rules import ETHERNET_RULES, HDLC_RULES
from .conditions import Conditions
from .frame_rules import LINE_RULES, RULES_OF_K28_5, SYNC_RULES
from .l1_rules import L1_RULES
from .line_rules import FEC_RULES, SCRAMBLING_RULES, block_rules
from .rule import Rule
from .word_rules import WORD_RULES, place_rules

__all__ = ["RULES", "Rule", "default_cases", "rules_of"]

RULES: tuple[Rule, ...] = (
    *LINE_RULES,
    *SYNC_RULES,
    *L1_RULES,
    *HDLC_RULES,
    *ETHERNET_RULES,
    *WORD_RULES,
)


def rules_of(usual: Conditions) -> tuple[Rule, ...]:
    """Every rule with its cases for a link."""
    if usual.line.line_code == "64b66b":
        kept = (rule for rule in RULES if rule.plane != "line" and rule not in RULES_OF_K28_5)
        line = block_rules(usual.line, fec=usual.sent_line.fec) + FEC_RULES * usual.sent_line.fec
        return (*line, *kept, *place_rules(usual))
    rules = RULES + place_rules(usual)
    return rules + SCRAMBLING_RULES if usual.sent_line.scrambling is not None else rules


def default_cases(usual: Conditions) -> list[Case]:
    """The baseline and the cases of every rule, each once."""
    cases = [Case(()), *(case for rule in rules_of(usual) for case in rule.cases)]
    return list(dict.fromkeys(cases))
