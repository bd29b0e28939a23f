"""One text for each thing that people are taught to send: what paper and pages print, as `read` understands it.

Who prints an example takes it from here, so that a printed sheet cannot teach a word that is not read any more.
"""

from __future__ import annotations

REFERENCE = "7K"
"""Stands for the reference that a real text has behind Ref."""

SOS = "SOS"
OK = f"OK {REFERENCE}"
CALLED = f"CALLED {REFERENCE}"


def going_in(site: str, minutes: int, count: int) -> str:
    """Starts a dive from the beach: the code of a site, the run time in minutes, and how many go in."""
    return f"IN {site} {minutes} {people(count)}"


def people(count: int) -> str:
    """How many go in, as a start says it."""
    return f"P{count}"


def coming_out(count: int) -> str:
    """All of them are out."""
    return f"OUT {count}"


def more_time(minutes: int) -> str:
    """Asks for so many minutes more."""
    return f"LATE {minutes}"


def safe(count: int) -> str:
    """A contact's word that so many are safe."""
    return f"SAFE {count} {REFERENCE}"
