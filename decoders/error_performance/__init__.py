"""What differs between two streams, and how sure a bit error ratio is (ITU-T O.150)."""
