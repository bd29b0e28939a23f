"""One module per step, in the order of their numbers."""
