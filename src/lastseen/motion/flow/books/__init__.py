"""The books of a run: what is kept of each step, and which blocks the next one touches."""
