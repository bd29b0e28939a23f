"""Whoever texts one club and dives for another of this installation: a call for help is heard, the rest is directed.

Clubs share gateways, and a text of the one then comes from the number of the other; a person serves two, and answers
the thread that lies uppermost. What lowers an alarm counts at the number of its club alone.
"""

from __future__ import annotations

from service.domain.wording import general
from service.operations.addressing import Answer, Text
from service.operations.choosing import is_open
from service.store import clubs, dives
from service.store.dives import PhoneMatch


def live_elsewhere(text: Text) -> list[PhoneMatch]:
    """The sender's dives that run for other clubs; no exercises, in which nobody is in trouble."""
    return [match for _, match in _open_elsewhere(text) if match.dive.live and not match.dive.drill]


def directed(text: Text, answer: Answer) -> Answer:
    """The answer to a text that found no dive here; from who has none here at all, which number theirs is texted to."""
    here = text.club.receiving_number
    if any(is_open(match.phase) for match in dives.for_phone(text.session, here, text.phone, text.now)):
        return answer
    for number, match in _open_elsewhere(text):
        words = general.texted_elsewhere(text.club.name, match.reference, match.dive.club_name, number, text.language)
        return Answer(words, note="of another club")
    return answer


def _open_elsewhere(text: Text) -> list[tuple[str, PhoneMatch]]:
    """The sender's open dives for other clubs, those that run first, each with the number of its club."""
    others = sorted(clubs.receiving_numbers(text.session) - {text.club.receiving_number})
    found = [
        (number, match)
        for number in others
        for match in dives.for_phone(text.session, number, text.phone, text.now)
        if isinstance(match, PhoneMatch) and match.dive.closed_at is None
    ]
    return sorted(found, key=lambda one: not one[1].dive.live)
