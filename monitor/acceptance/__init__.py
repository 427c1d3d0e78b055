"""An acceptance run from a plan: stages with limits, one evidence folder, and what can be derived from it anew."""
