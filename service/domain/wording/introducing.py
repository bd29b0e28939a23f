"""What a shore contact is told once, before they are ever needed, and what their AGREE or DECLINE is answered."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.language import Name, say
from service.domain.people import ENGLISH
from service.domain.wording.drafts import SEGMENTS, Draft, LinkKind, MessageKind, to_each, worded
from service.domain.wording.general import plain
from service.domain.wording.parts import keep


def introductions(dive: Dive, event: ev.Filed) -> list[Draft]:
    """To each contact who was never told what is asked of them: who named them, what happens, how to say no."""
    people = [contact for contact in dive.contacts if contact.key in event.newcomers]
    parts = [
        keep(say("{name} named you as a shore contact.", name=Name(dive.lead.name))),
        keep(say("You get the plan when they go in. If they are not out in time we text you: call them, then rescue.")),
        # The reference is for the page, where a scanner of links that presses buttons must not decide for anybody.
        keep(say("Reply AGREE {ref} or DECLINE {ref}.", ref=dive.reference)),
    ]
    return to_each(dive, people, MessageKind.OTHER, "introduction", parts, event.at, link=LinkKind.CONTACT)


def asked(club_name: str, named_by: str, language: str = ENGLISH) -> str:
    """The same from the club's desk, before there is any dive. Two segments, as an introduction has."""
    parts = [
        keep(say("{name} named you as a shore contact.", name=Name(named_by))),
        keep(say("You get the plan when they go in. If they are not out in time we text you: call them, then rescue.")),
        keep(say("Reply AGREE or DECLINE.")),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.OTHER], language)


def declined(dive: Dive, name: str, event: ev.PersonUnreachable) -> list[Draft]:
    """To the lead, who may count on that contact of this name."""
    words = say("{name} will not be a contact. Phone somebody else ashore and tell them the plan.", name=Name(name))
    return to_each(dive, [dive.lead], MessageKind.REPLY, "declined", [keep(words)], event.at)


def answer(club_name: str, *, agrees: bool, alarmed: Sequence[str], lead_told: bool, language: str = ENGLISH) -> str:
    """The answer to AGREE and DECLINE. `alarmed`: references of the sender's dives whose alarm is up.

    AGREE is no OK: whoever means that they act on an alarm is asked to say so.
    """
    if agrees and alarmed:
        words = say("thank you. The ALARM is up for dive {ref}. Do you act on it? Text OK {ref}.", ref=alarmed[0])
    elif agrees:
        words = say("thank you, you are a shore contact. You get the plan when they go in. No longer? Text DECLINE.")
    elif lead_told:
        words = say("noted. No plan or alarm goes to you now. Who named you is told. Yes after all? Text AGREE.")
    else:
        words = say("noted. No plan or alarm goes to you from now on. Yes after all? Text AGREE.")
    return plain(club_name, words, language)


def never_named(club_name: str, language: str = ENGLISH) -> str:
    """AGREE or DECLINE from a phone that no plan of the club has named."""
    return plain(club_name, say("no plan here names this phone as a contact, so nothing was noted."), language)
