"""One file per step, in the order of their numbers."""
