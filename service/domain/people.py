"""Who does something and who is told something: keys, actors and recipients."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

ENGLISH = "en"
ADMINS = "admins"  # a draft to this key goes to every admin of the club


def diver_key(index: int) -> str:
    """The key of a diver within the dive; the lead is diver 0."""
    return f"diver-{index}"


def contact_key(index: int) -> str:
    """The key of a shore contact within the dive, in the order of the plan."""
    return f"contact-{index}"


class Role(StrEnum):
    """What somebody is to a dive."""

    DIVER = "diver"
    CONTACT = "contact"
    ADMIN = "admin"
    STRANGER = "stranger"  # a phone that the dive does not know, or a script with a token
    CLOCK = "clock"


class Channel(StrEnum):
    """By which way a message goes to a person."""

    TEXT = "text"
    CALL = "call"  # a voice call; pressing 1 is an answer, a machine that listens is none
    EMAIL = "email"  # an extra way: nobody can answer it


BY_TEXT = (Channel.TEXT,)  # the ways to nearly everybody


class Via(StrEnum):
    """By which way something reached us."""

    TEXT = "text"
    CALL = "call"  # a key pressed in a call of ours
    PAGE = "page"
    API = "api"
    COMMAND = "command"  # the command line of the installation
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Actor:
    """Who did it, by which way, from which number (E.164) if any.

    `words` is the text or button, as given; `said_at`, when they said it, where that reached us later.
    """

    role: Role
    name: str
    via: Via
    key: str | None = None
    phone: str | None = None
    words: str = ""
    said_at: datetime | None = None

    @property
    def own_key(self) -> str:
        """What tells this person from others of the dive: their key, or their name where they have none."""
        return self.key or self.name

    @property
    def is_outsider(self) -> bool:
        """Whether this is a phone that the dive does not know: its number proves nothing."""
        return self.role is Role.STRANGER and self.via is Via.TEXT


CLOCK = Actor(role=Role.CLOCK, name="the clock", via=Via.CLOCK)


class Recipient(NamedTuple):
    """Who is told: `key` is the person's within the dive, or ADMINS, or "phone:+44..." for a stranger.

    `language` is that of the messages to them (ISO 639-1). `channels` are the ways to them, the best first.
    """

    key: str
    name: str
    phone: str | None
    language: str = ENGLISH
    email: str | None = None
    channels: tuple[Channel, ...] = BY_TEXT
