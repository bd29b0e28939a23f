"""What is said in a call of ours around the message itself."""

from __future__ import annotations

from service.domain.language import render, say


def no_key_was_pressed(language: str) -> str:
    """The end of a call in which nobody pressed a key; a machine may be listening."""
    return render(say("No key was pressed, so we go on trying to reach somebody. Goodbye."), language)
