"""The negative-test campaign: each fault alone, and whether the receiver told of it."""
