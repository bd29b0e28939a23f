"""What people say, and how often what befalls them."""

from __future__ import annotations

import random

SITES = ("LANTERN", "SLIP", "KELP")
SHARED = "+447700900399"  # a contact of many dives
STRANGE = "+447700900498"  # a phone on the beach that is of no dive
WAYS = ((), ("text",), ("call",), ("call", "text"), ("text", "call", "email"), ("email", "call"))
LANGUAGES = ("en", "en", "en", "de", "fr", "es", "it")

# What becomes of a dive, and how often.
FATES = {
    "in_time": 60,
    "extends": 9,
    "overdue": 10,
    "phone_lost": 4,
    "missing": 5,
    "in_trouble": 4,
    "never_starts": 3,
    "called_off": 3,
    "partial": 2,
}
# How a contact is.
CHARACTERS = {
    "acts": 60,
    "answers_late": 8,
    "never_answers": 12,
    "nonsense": 6,
    "other_language": 3,
    "machine": 3,
    "opts_out": 3,
    "declines": 3,
    "worry_words": 2,
}
NONSENSE = (
    "what?",
    "who is this",
    "brrr",
    "ok I think they are fine maybe",
    "\x00?",
    "👍",
    "not safe",
    "SAFE?",
    "OUT",
    "1",
)
OTHER = ("ja ich kümmere mich", "d'accord je m'en occupe", "de acuerdo", "ich weiß nicht wo sie sind", "tutto bene?")
TROUBLE = ("SOS", "MAYDAY", "cant find my buddy", "HELP", "out of air", "emergency at the north slip")
WORRY = ("they are missing", "something is wrong, cant find them", "she is not breathing")
MACHINE = "I am driving and will answer later"
POSITIONS = ("AT 47.12345,-20.54321", "AT 47 07.407N 20 32.593W", "AT 91 N 20 W")
LONG_TEXT = "OUT {finish} " + "we had a lovely time with all the seals and the kelp and will be home for tea " * 3
LONG_ANSWER = "I have rung both of them three times now and nobody takes it, their car is still at the slip. " * 2


ALARMED = ("alert", "distress")


def draw(chance: random.Random, weights: dict[str, int]) -> str:
    """One of these, by weight."""
    return chance.choices(list(weights), list(weights.values()))[0]
