"""Octets to line bits and back (4.2.7.8; IEEE 802.3 clauses 36 and 49; V7.0 clause 6.9)."""
