"""Basic frame, hyperframe, control words, BFN and HFN (4.2.7.1 to 4.2.7.3)."""
