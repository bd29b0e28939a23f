"""By which ways a contact is told: what their ways are, which of them fail, and whom an event has called.

A text goes to everybody who has that way, whatever the event. A voice call disturbs more and costs more, so it is made
where it matters: the rules are here. An e-mail goes along and counts for nothing.
"""

from __future__ import annotations

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.grace import Step
from service.domain.people import Channel, Recipient

DECLINED = "declined"
REFUSED_BY_PERSON = ("opted_out", DECLINED)  # reasons that are a person's own word
_DISTRESS = (Step.DISTRESS, Step.DISTRESS_AGAIN)


def takes_texts(dive: Dive, person: Recipient) -> bool:
    """Whether texts are sent to this person."""
    return Channel.TEXT in dive.direct_ways(person)


def takes_calls(dive: Dive, person: Recipient) -> bool:
    """Whether this person can be called."""
    return Channel.CALL in dive.direct_ways(person)


def takes_mail(person: Recipient) -> bool:
    """Whether e-mails are sent to this person."""
    return person.email is not None and Channel.EMAIL in person.channels


def ways_to(dive: Dive, person: Recipient) -> tuple[Channel, ...]:
    """By which ways this dive tells somebody, the best first."""
    return (*dive.direct_ways(person), *((Channel.EMAIL,) if takes_mail(person) else ()))


def calls_come_first(dive: Dive) -> bool:
    """Whether somebody ashore is called before they are texted, so that texts are not all that can fail."""
    return any(dive.first_way(contact) is Channel.CALL for contact in dive.contacts)


def alarm_calls(dive: Dive, event: ev.Event) -> tuple[str, ...]:
    """The keys of the contacts to whom `event` makes an alarm call; `dive` already contains it.

    At distress everybody who can be called. At an alert those who are called before they are texted, and those whose
    texts fail; who turns out to be deaf to texts after the alert is called at once, once, until distress calls all.
    """
    if not dive.calls:
        return ()
    wanted = [contact for contact in dive.contacts if dive.declined_by(contact.key) is None]
    can_be_called = [contact for contact in wanted if takes_calls(dive, contact)]
    return tuple(contact.key for contact in can_be_called if _rings(dive, event, contact))


def _rings(dive: Dive, event: ev.Event, contact: Recipient) -> bool:
    if isinstance(event, ev.StepTaken):
        due = event.step in _DISTRESS or _called_at_alert(dive, contact)
        return due and contact.key in event.to  # of no other step are contacts told
    if isinstance(event, ev.AlarmRaised):
        return event.told_at is None and contact.key != event.by.key and _called_at_alert(dive, contact)
    if isinstance(event, ev.CalledTakenBack):  # as at distress: all are to call rescue
        return not event.stands and contact.key != event.by.key
    if isinstance(event, ev.PersonUnreachable):
        lost = event.person == contact.key and event.channel is Channel.TEXT is dive.first_way(contact)
        deaf = lost and event.reason not in REFUSED_BY_PERSON
        return deaf and Step.DISTRESS not in dive.steps and waits_for(dive, contact)
    if isinstance(event, ev.PersonReachable):
        back = event.person == contact.key and event.channel is Channel.CALL is dive.first_way(contact)
        return back and not event.has_alarm and waits_for(dive, contact)
    return False


def _called_at_alert(dive: Dive, contact: Recipient) -> bool:
    return dive.first_way(contact) is Channel.CALL or dive.fails(contact, Channel.TEXT)


def waits_for(dive: Dive, contact: Recipient) -> bool:
    """Whether the alarm has gone to this contact, who has not answered it, and rescue has not been called."""
    answered = any(told.key == contact.key for told in dive.acknowledged)
    return dive.alarmed and contact.key in dive.alerted_keys() and not answered and dive.called_at is None
