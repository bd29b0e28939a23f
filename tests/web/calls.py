"""A call that a gateway has taken, for tests of what it posts about it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.dive.commands import Start, Tick
from service.domain.people import Actor, Channel, Role, Via
from service.operations.recording import act
from service.store import leases, outbox
from service.store.outbox import Message
from tests.web.installation import ANNA, Site

CALL_SID = "CA1"
WAYS = frozenset({Channel.TEXT, Channel.CALL})


@dataclass(frozen=True, slots=True)
class Called:
    """The dive, and the call to its first contact."""

    dive: Dive
    message: Message

    @property
    def path(self) -> str:
        """Where a gateway posts what happens in it, but for the last part."""
        return f"/inbound/shore/call/{self.message.id}"


def at_distress(site: Site) -> Dive:
    """A dive whose contacts are being called, by an installation that can make calls."""
    calling = replace(site, service=replace(site.service, channels=WAYS))
    dive = calling.filed()
    by = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
    act(calling.service, dive.id, Start(by))
    for minutes in (66, 35):
        site.clock.forward(minutes)
        act(calling.service, dive.id, Tick())
    return dive


def call_of(site: Site, dive: Dive, contact: str = "contact-0") -> Message:
    """The call to a contact as it stands."""
    messages = site.service.read(lambda session: outbox.of_dive(session, dive.id))
    return next(one for one in messages if one.channel == Channel.CALL and one.person_key == contact)


def hand_over(site: Site, message: Message) -> None:
    """Have the gateway take the call."""
    now = site.clock.now()

    def work(session: Session) -> bool:
        leases.lease(session, leases.waiting(session, now, 100), "test", now, 30.0)
        outbox.begin_attempt(session, message.id, "shore", "test", now)
        return outbox.mark_handed(session, message.id, "test", "shore", CALL_SID, now)

    assert site.service.write(work)


def handed_call(site: Site) -> Called:
    """A call at distress that the gateway has taken."""
    dive = at_distress(site)
    hand_over(site, call_of(site, dive))
    return Called(dive, call_of(site, dive))
