"""The processes that run the clocks and carry the messages."""
