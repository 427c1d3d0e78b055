"""Octets to line bits and back: 8B/10B, 64B/66B, RS-FEC, scrambling of version 2 (CPRI clauses 4.2.7.8, 6.9)."""
