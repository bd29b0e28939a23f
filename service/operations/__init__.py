"""The use cases: load and lock, decide, evolve, record, queue messages, commit."""
