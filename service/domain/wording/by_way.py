"""From texts to every way: what of it is said in a call to a contact, what is mailed, and what is not texted.

A text to a contact who takes none is not sent. Calls are made where `alarm_calls` says so, and for what a contact must
hold (the plan, a later raise-by time, the stand-down) where texts cannot say it or a call was made before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.dive.ways import alarm_calls, takes_calls, takes_mail, takes_texts
from service.domain.grace import Step
from service.domain.people import BY_TEXT, Channel, Recipient, Role
from service.domain.wording import mails, spoken
from service.domain.wording.drafts import Draft, MessageKind

_ALARMS = (MessageKind.DISTRESS, MessageKind.ALERT)
_ANSWERS = (MessageKind.REPLY, MessageKind.REMINDER)
_STEPS_OF_ALARM = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN)


def by_every_way(dive: Dive, event: ev.Event, texts: Sequence[Draft]) -> list[Draft]:
    """What people are told of `event` by all their ways; `texts` is what the rules of wording text to whom."""
    if not _is_news(dive, event):
        return []
    ringing = alarm_calls(dive, event)
    contacts = {contact.key: contact for contact in dive.contacts}
    drafts: list[Draft] = []
    for text in texts:
        contact = contacts.get(text.to.key)
        if contact is None or text.kind in _ANSWERS or contact.channels == BY_TEXT:
            drafts.append(text)
            continue
        drafts += [text] if takes_texts(dive, contact) else []
        drafts += _mailed(dive, event, contact, text)
        drafts += _said(dive, event, contact, text)
    return drafts + [_alarm_call(dive, event, contacts[key], list(contacts).index(key)) for key in ringing]


def _is_news(dive: Dive, event: ev.Event) -> bool:
    """A way that comes or goes matters to people only where it is the first, by which somebody is waited for."""
    if not isinstance(event, ev.PersonUnreachable | ev.PersonReachable):
        return True
    person = dive.person(event.person)
    return person is None or event.channel is dive.first_way(person)


def _mailed(dive: Dive, event: ev.Event, contact: Recipient, text: Draft) -> list[Draft]:
    """The e-mail that goes along with a text; none for who is only asked to be a contact, or has the alarm by mail."""
    again = isinstance(event, ev.PersonReachable) and text.kind in _ALARMS
    if not takes_mail(contact) or isinstance(event, ev.Filed) or again:
        return []
    mail = _mail(dive, event, contact, text)
    return [replace(text, channel=Channel.EMAIL, text=mail.body, subject=mail.subject)]


def _mail(dive: Dive, event: ev.Event, contact: Recipient, text: Draft) -> mails.Mail:
    if _is_whole_alarm(event):
        return mails.alarm(dive, contact, event.at, rescue_now=text.kind is MessageKind.DISTRESS)
    words = text.full or text.text
    if text.kind is MessageKind.STAND_DOWN:
        return mails.stand_down(dive, contact, words, event.at)
    if isinstance(event, ev.ExtensionAsked):
        return mails.later(dive, contact, words, event.at)
    if text.kind is MessageKind.START_NOTICE or isinstance(event, ev.Started):
        return mails.notice(dive, contact, words, event.at)
    return mails.news(dive, contact, words, event.at)


def _is_whole_alarm(event: ev.Event) -> bool:
    """Whether its messages to contacts are alarms on which somebody acts who knows nothing else."""
    if isinstance(event, ev.CalledTakenBack):
        return not event.stands
    return isinstance(event, ev.AlarmRaised) or (isinstance(event, ev.StepTaken) and event.step in _STEPS_OF_ALARM)


def _said(dive: Dive, event: ev.Event, contact: Recipient, text: Draft) -> list[Draft]:
    """The call for what a contact must hold, where no text can say it; and the stand-down to who was called."""
    again = isinstance(event, ev.Closed) and contact.key in dive.rung
    if not takes_calls(dive, contact) or (takes_texts(dive, contact) and not again):
        return []
    words = _words(dive, event, contact, text)
    return [] if words is None else [_call(text, words)]


def _words(dive: Dive, event: ev.Event, contact: Recipient, text: Draft) -> str | None:
    if isinstance(event, ev.Started) and Role.CONTACT in event.quiet:
        return spoken.late_notice(dive, contact, event)
    if isinstance(event, ev.ExtensionAsked):
        return spoken.later(dive, contact, event.due_out_at, event.at)
    if text.kind is MessageKind.START_NOTICE:
        return spoken.start_notice(dive, contact, event.at)
    return spoken.stand_down(dive, contact, event) if isinstance(event, ev.Closed) else None


def _call(text: Draft, words: str) -> Draft:
    """A call says all there is to say: no link can be heard."""
    return replace(text, channel=Channel.CALL, text=words, link=None)


def _alarm_call(dive: Dive, event: ev.Event, contact: Recipient, rank: int) -> Draft:
    rescue_now = Step.DISTRESS in dive.steps and dive.called_at is None
    name, due_at = (event.step, event.due_at) if isinstance(event, ev.StepTaken) else ("alarm_call", event.at)
    return Draft(
        to=contact,
        kind=MessageKind.DISTRESS if rescue_now else MessageKind.ALERT,
        step=f"{name}-{dive.version}",
        text=spoken.alarm(dive, contact, event.at, rescue_now=rescue_now),
        due_at=due_at,
        rank=rank,
        channel=Channel.CALL,
    )
