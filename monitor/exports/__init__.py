"""What a capture holds, in the formats of other tools: packets, samples, tables, line stimulus."""
