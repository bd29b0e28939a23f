"""Tables of words and expressions, written to be read by a person."""

from __future__ import annotations


def phrases(lines: str) -> frozenset[str]:
    """Read phrases parted by commas or line ends."""
    return frozenset(phrase.strip() for phrase in lines.replace("\n", ",").split(",") if phrase.strip())


def words(lines: str) -> frozenset[str]:
    """Read single words parted by blanks or line ends."""
    return frozenset(lines.split())


def any_of(lines: str, **listed: str) -> str:
    """Make one expression of those that stand one to a line; <name> stands for what is listed under it."""
    whole = "|".join(line for line in lines.split("\n") if line)
    for name, alternatives in listed.items():
        whole = whole.replace(f"<{name}>", alternatives)
    return f"(?:{whole})"
