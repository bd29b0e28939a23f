"""The heart: every rule of the clock as plain functions without I/O."""
