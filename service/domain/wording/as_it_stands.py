"""An alarm as it stands, to who comes to it later, and to all whom it concerns anew when somebody gives it up."""

from __future__ import annotations

from dataclasses import replace

from service.domain.dive.events import PersonReachable, PersonUnreachable
from service.domain.dive.state import Dive
from service.domain.grace import Step
from service.domain.language import Name, say
from service.domain.people import Recipient
from service.domain.wording.drafts import EVERY_ADMIN, Draft, LinkKind, MessageKind, to_each
from service.domain.wording.ladder import Cause, act_alert, act_distress, alarm_to, cry, distress_cry, start_notice
from service.domain.wording.parts import Part, keep
from service.domain.wording.phrases import who_acts, who_called


def on_reachable(dive: Dive, event: PersonReachable) -> list[Draft]:
    """A contact whom the alarm passed by gets it now, unless they are known to have it or to act on it.

    Whoever agrees after all in mid-dive gets the plan that was not sent to them.
    """
    person = dive.person(event.person)
    if event.agreed and person is not None and dive.started_at is not None and dive.live and not dive.alarmed:
        plan = start_notice(dive, event.at)
        notice = to_each(dive, [person], MessageKind.START_NOTICE, "agreed", plan, event.at, link=LinkKind.ALARM)
        return [replace(one, expires_at=dive.raise_by_at) for one in notice]
    answered = any(told.key == event.person for told in dive.acknowledged)
    if event.has_alarm or answered or person is None or not dive.alarmed or person.key not in dive.alerted_keys():
        return []
    return _as_it_stands(dive, [person], Cause("reachable", event.at, event.at))


def gave_up(dive: Dive, event: PersonUnreachable) -> list[Draft]:
    """Who was told that somebody has the alarm hears that they have it no more, with all that acting needs.

    The admins too, once it was handed up to them.
    """
    if not event.gives_up:
        return []
    person = dive.person(event.person)
    others = [one for one in dive.contacts if one.key in dive.alerted_keys() and one.key != event.person]
    others += [EVERY_ADMIN] if Step.HAND_UP in dive.steps else []
    gone = say("{name} no longer acts on this alarm.", name=Name(person.name) if person else say("An admin"))
    return _as_it_stands(dive, others, Cause("gave_up", event.at, event.at), keep(gone))


def _as_it_stands(dive: Dive, people: list[Recipient], cause: Cause, *news: Part) -> list[Draft]:
    if dive.called_at is not None:
        return alarm_to(dive, people, MessageKind.ALERT, cause, cry(dive), [*news, *who_called(dive, cause.at)])
    acting = [*news, *who_acts(dive, cause.at)]
    if Step.DISTRESS in dive.steps:
        act = [*acting, *act_distress(dive)]
        return alarm_to(dive, people, MessageKind.DISTRESS, cause, distress_cry(dive), act)
    return alarm_to(dive, people, MessageKind.ALERT, cause, cry(dive), [*acting, *act_alert(dive)])
