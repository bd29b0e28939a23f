"""A key that is pressed in a call of ours: the one thing that a call can prove, and the answer of a contact.

Whoever presses 1 in an alarm call says OK, as by text. In any other call it only shows that it was heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.operations.service import Service

ANSWER_KEY = "1"


@dataclass(frozen=True, slots=True)
class Pressed:
    """What came of a key: words to say back and their language (ISO 639-1).

    `again`: the key means nothing, so that the message may be said once more behind the words.
    """

    words: str
    language: str
    again: bool = False


def press(service: Service, message_id: str, key: str, gateway: str, provider_id: str, raw: dict[str, Any]) -> Pressed:
    """Take a key that was pressed in the call of this message, authenticated already. Twice is as once.

    Harmless for an unknown message, another key, a closed dive: then the words say so, and nothing changes.
    """
    raise NotImplementedError
