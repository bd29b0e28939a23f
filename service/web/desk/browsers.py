"""What a browser calls itself, in a few words by which its owner knows it again. Nothing is decided by it."""

from __future__ import annotations

from typing import Final

# The first that is in the header wins: most browsers name others, too, to be served like them.
_PROGRAMS: Final = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
_DEVICES: Final = (
    ("iPhone", "an iPhone"),
    ("iPad", "an iPad"),
    ("Android", "Android"),
    ("CrOS", "a Chromebook"),
    ("Windows", "Windows"),
    ("Macintosh", "a Mac"),
    ("Linux", "Linux"),
)


def browser_words(user_agent: str) -> str:
    """Such as "Firefox on Android"; empty where neither is known."""
    program = next((words for mark, words in _PROGRAMS if mark in user_agent), "")
    device = next((words for mark, words in _DEVICES if mark in user_agent), "")
    return f"{program or 'A browser'} on {device}" if device else program
