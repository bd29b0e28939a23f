"""How far a shore contact can be relied upon: what they said, and when anything of ours last reached them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.language import Name, Phrase, render, say
from service.domain.plan import Check, Level

PROVEN_FOR = timedelta(days=180)
"""Ours. A number that was given up may be another person's after 90 days (US 47 CFR 52.15(f)(1)(ii), numbers of
residential customers), so after twice as long what we knew of it is no proof; and a winter without dives is shorter."""


class Standing(StrEnum):
    """What is to be known of a contact before somebody relies on them, the most telling first."""

    OPTED_OUT = "opted_out"
    DECLINED = "declined"
    LANDLINE = "landline"
    NOT_REACHED_LATELY = "not_reached_lately"
    AGREED = "agreed"
    ANSWERED = "answered"
    NEVER_ANSWERED = "never_answered"


WORDS = {
    Standing.OPTED_OUT: "opted out, our texts do not reach them",
    Standing.DECLINED: "declined, nothing goes to them",
    Standing.LANDLINE: "landline, never asked",
    Standing.NOT_REACHED_LATELY: f"not reached in the last {PROVEN_FOR.days} days",
    Standing.AGREED: "agreed",
    Standing.ANSWERED: "has answered us, has not said AGREE",
    Standing.NEVER_ANSWERED: "never answered",
}

NOBODY = (Standing.OPTED_OUT, Standing.DECLINED)
"""Standings of those to whom nothing of a plan goes."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What a club knows of one phone. `reached_at`: the last delivery, or word from them; `answered_at`: the last word.

    `asked_at`: when they were told what a contact does. Of `agreed_at` and `declined_at` the later holds.
    """

    asked_at: datetime | None = None
    agreed_at: datetime | None = None
    declined_at: datetime | None = None
    reached_at: datetime | None = None
    answered_at: datetime | None = None
    opted_out: bool = False

    @property
    def declined(self) -> bool:
        """Whether they want to be no contact, by their last word on it."""
        if self.declined_at is None:
            return False
        return self.agreed_at is None or self.declined_at >= self.agreed_at

    @property
    def is_new(self) -> bool:
        """Whether they were never told what a contact does, and never said what they think of it."""
        return self.asked_at is None and self.agreed_at is None and self.declined_at is None

    @property
    def known_at(self) -> datetime | None:
        """When it was last proven that something of ours reaches the phone."""
        return max((at for at in (self.reached_at, self.answered_at, self.agreed_at) if at is not None), default=None)

    def proven(self, now: datetime) -> bool:
        """Whether there is a proof that is not too old, and nothing that speaks against it."""
        if self.opted_out or self.declined or self.known_at is None:
            return False
        return now - self.known_at <= PROVEN_FOR


def standing_of(reach: Reach, now: datetime, *, takes_texts: bool) -> Standing:
    """The standing of a contact. `takes_texts`: texts are one of the ways to them."""
    if reach.opted_out:
        return Standing.OPTED_OUT
    if reach.declined:
        return Standing.DECLINED
    if not takes_texts and reach.agreed_at is None:
        return Standing.LANDLINE
    since = reach.known_at or reach.asked_at
    if since is not None and now - since > PROVEN_FOR:
        return Standing.NOT_REACHED_LATELY
    if reach.agreed_at is not None:
        return Standing.AGREED
    return Standing.NEVER_ANSWERED if reach.answered_at is None else Standing.ANSWERED


@dataclass(frozen=True, slots=True)
class ContactKnown:
    """A contact of a plan, and what is known of their phone. `dives`: it is that of one of the party."""

    name: str
    reach: Reach
    standing: Standing
    dives: bool = False


def contact_checks(contacts: Sequence[ContactKnown], now: datetime) -> tuple[Check, ...]:
    """What is to be said about the contacts of a plan while the divers are dry.

    A plan that nobody ashore receives is worse than none, since somebody relies on it: it is refused. Where all dive
    with the party the plan itself says so.
    """
    lost = [contact for contact in contacts if contact.standing in NOBODY]
    if lost and all(contact.dives or contact.standing in NOBODY for contact in contacts):
        names = Name(", ".join(contact.name for contact in lost))
        said = say("Name somebody else ashore: nothing would reach {names}.", names=names)
        return (Check(Level.REFUSE, "contacts", _nobody_ashore(contacts), said),)
    found = [Check(Level.ADVISE, "contacts", _lost(contact)) for contact in lost]
    words = unproven(contacts, now)
    return tuple(found if words is None else [*found, Check(Level.ADVISE, "contacts", _sentence(render(words)))])


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def unproven(contacts: Sequence[ContactKnown], now: datetime) -> Phrase | None:
    """What to do where nothing proves that any of them can be reached; None where one is proven.

    Of those ashore: the plan itself says it of whoever dives too.
    """
    contacts = [contact for contact in contacts if not contact.dives]
    if not contacts or any(contact.reach.proven(now) for contact in contacts):
        return None
    left = [contact for contact in contacts if contact.standing not in NOBODY]
    if len(left) < len(contacts):
        return say("nothing proves that we reach your other contacts: phone one of them before you go in.")
    if any(contact.reach.known_at is not None for contact in left):
        return say(
            "none of your contacts was reached in the last {days} days: phone one of them before you go in.",
            days=PROVEN_FOR.days,
        )
    return say("none of your contacts has ever answered us: phone one of them before you go in.")


def _nobody_ashore(contacts: Sequence[ContactKnown]) -> str:
    lost = [contact for contact in contacts if contact.standing in NOBODY]
    said = ", ".join(
        f"{contact.name} ({'opted out' if contact.standing is Standing.OPTED_OUT else 'declined'})" for contact in lost
    )
    dive = ", ".join(contact.name for contact in contacts if contact not in lost)
    # What to do comes first: a text may have no room for all the names.
    words = f"Name somebody else ashore who will raise the alarm. Nothing would reach {said}"
    return f"{words}; in the water with you: {dive}." if dive else f"{words}."


def _lost(contact: ContactKnown) -> str:
    if contact.standing is Standing.DECLINED:
        return f"{contact.name} declined to be a contact, so nothing goes to them. Name somebody else."
    return (
        f"{contact.name} opted out of our texts, so nothing reaches them. Ask them to text START to the club's number,"
        " or name somebody else."
    )
