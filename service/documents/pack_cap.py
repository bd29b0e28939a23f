"""The pack as an alert by the Common Alerting Protocol, version 1.2 (OASIS, 1 July 2010).

A message is issued at every change of an alarmed dive and every half hour between, for the search area grows meanwhile.
Whoever fetches gets the latest. A message is reckoned for the moment at which it was issued, so that everybody who
fetches it has the same under the same identifier. docs/handover.md has the table of urgency, severity and certainty.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from service.documents.xml_text import child, document
from service.domain.dive.state import Phase
from service.domain.handover import Fact, Moment, Pack, Situation
from service.domain.handover.pack import EXERCISE, NO_CALL
from service.domain.phone import national_format
from service.domain.place.position import decimal

MEDIA_TYPE = "application/cap+xml"
NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"

EVERY = timedelta(minutes=30)
LASTS = timedelta(hours=24)
"""A message that nothing follows must outlive the search for a while; the end of it is a Cancel of its own."""

REFERENCES_MAX = 100
HEADLINE_MAX = 160  # characters, as the standard advises

RESTRICTION = "For the rescue service and those who help it: it holds names, positions and telephone numbers."

_FORBIDDEN_IN_NAMES = re.compile(r"[\s,<&]+")


class NoAlertError(ValueError):
    """There is no alarm, so there is nothing to alert anybody of; the message says so."""


@dataclass(frozen=True, slots=True)
class Issue:
    """One message of a dive: the version of the dive, how often it was repeated since, and when it was sent."""

    version: int
    repeat: int
    at: datetime


class _Gravity(NamedTuple):
    urgency: str
    severity: str
    certainty: str
    response: str


_OVERDUE = _Gravity("Immediate", "Severe", "Possible", "Assess")
_IN_TROUBLE = _Gravity("Immediate", "Extreme", "Likely", "Assess")
_OVER = _Gravity("Past", "Minor", "Observed", "AllClear")


def issues(pack: Pack) -> tuple[Issue, ...]:
    """Every message of this alarm until `pack.now`, the oldest first; empty where there is no alarm.

    A pack without a timeline has one message, of its alarm.
    """
    alarm_at = pack.times.alarm_at
    if alarm_at is None:
        return ()
    changes = _changes(pack.timeline, alarm_at) or [(pack.version, alarm_at)]
    ends = [at for _, at in changes[1:]] + [pack.now + timedelta(microseconds=1)]
    repeats = not pack.over
    found = []
    for number, ((version, at), end) in enumerate(zip(changes, ends, strict=True)):
        found.append(Issue(version, 0, at))
        if repeats or number < len(changes) - 1:
            found += [Issue(version, count, at + count * EVERY) for count in range(1, _times(at, end))]
    return tuple(issue for issue in found if issue.at <= pack.now)


def _changes(timeline: Sequence[Moment], alarm_at: datetime) -> list[tuple[int, datetime]]:
    """The versions since the alarm with their instants; of those of one instant only the last could be seen."""
    numbered = [(version, moment.at) for version, moment in enumerate(timeline, start=1) if moment.at >= alarm_at]
    return [one for one, two in pairwise(numbered) if one[1] != two[1]] + numbered[-1:]


def _times(at: datetime, end: datetime) -> int:
    """How many messages at most there are from one instant until before another."""
    return -((at - end) // EVERY)


def to_cap(pack: Pack, sender: str) -> bytes:
    """The alert of a pack whose `now` is that of its latest issue (see `issues`). Raises NoAlertError without an alarm.

    `sender` names this installation, worldwide: such as "linetender@dive.example.org".
    """
    sent = issues(pack)
    if not sent:
        raise NoAlertError("There is no alarm for this dive, so there is no alert message. It appears with the alarm.")
    by = name(sender)
    alert = ET.Element("alert", {"xmlns": NAMESPACE})
    child(alert, "identifier", identifier(pack, sent[-1]))
    child(alert, "sender", by)
    child(alert, "sent", instant(sent[-1].at, pack.zone))
    child(alert, "status", "Exercise" if pack.drill else "Actual")
    child(alert, "msgType", _message_type(pack, sent))
    child(alert, "scope", "Restricted")
    child(alert, "restriction", RESTRICTION)
    if pack.drill:
        child(alert, "note", f"{EXERCISE}. {NO_CALL}")
    if len(sent) > 1:
        child(alert, "references", _references(pack, by, sent[:-1]))
    if pack.incident:
        child(alert, "incidents", _grouped(pack.incident))
    _put_info(alert, pack, sent[-1])
    return document(alert)


def name(words: str) -> str:
    """A name as identifiers and senders may be: without blanks, commas, < and &."""
    return _FORBIDDEN_IN_NAMES.sub("-", words).strip("-") or "linetender"


def identifier(pack: Pack, issue: Issue) -> str:
    """The same for everybody who fetches this message, and of no other message."""
    repeated = f".{issue.repeat}" if issue.repeat else ""
    return name(f"{pack.dive_id}.{issue.version}{repeated}")


def instant(at: datetime, zone: str) -> str:
    """A time as the standard wants it: whole seconds and an offset, that of the site; UTC is -00:00."""
    local = at.astimezone(ZoneInfo(zone)).replace(microsecond=0)
    return local.isoformat().replace("+00:00", "-00:00")


def _message_type(pack: Pack, sent: Sequence[Issue]) -> str:
    if pack.over:
        return "Cancel"
    return "Alert" if len(sent) == 1 else "Update"


def _references(pack: Pack, sender: str, earlier: Sequence[Issue]) -> str:
    """The first of the alarm and the latest before this one, as sender,identifier,sent."""
    kept = earlier if len(earlier) <= REFERENCES_MAX else (earlier[0], *earlier[1 - REFERENCES_MAX :])
    return " ".join(f"{sender},{identifier(pack, issue)},{instant(issue.at, pack.zone)}" for issue in kept)


def _grouped(incident: str) -> str:
    """A name of an incident; one with blanks stands in quotes."""
    flat = " ".join(incident.replace('"', "").split())
    return f'"{flat}"' if " " in flat else flat


def _gravity(pack: Pack) -> _Gravity:
    if pack.over:
        return _OVER
    if pack.phase is Phase.DISTRESS or pack.situation is Situation.IN_TROUBLE:
        return _IN_TROUBLE
    return _OVERDUE


def _put_info(alert: ET.Element, pack: Pack, issue: Issue) -> None:
    info, gravity = child(alert, "info"), _gravity(pack)
    mark = f"{EXERCISE}: " if pack.drill else ""
    child(info, "language", "en-GB")
    child(info, "category", "Rescue")
    child(info, "event", f"{mark}{pack.event.value[0].upper()}{pack.event.value[1:]}")
    child(info, "responseType", gravity.response)
    child(info, "urgency", gravity.urgency)
    child(info, "severity", gravity.severity)
    child(info, "certainty", gravity.certainty)
    child(info, "expires", instant(issue.at + LASTS, pack.zone))
    child(info, "senderName", pack.club)
    child(info, "headline", _cut(f"{pack.headline}, {pack.where.site}", HEADLINE_MAX))
    child(info, "description", "\n".join(map(_line, pack.first)))
    child(info, "instruction", pack.caution)
    contact = _contact(pack)
    if contact:
        child(info, "contact", contact)
    for key, value in (
        ("reference", pack.reference),
        ("headCount", str(pack.head_count)),
        ("missing", str(pack.missing)),
        ("phase", pack.phase.value),
    ):
        parameter = child(info, "parameter")
        child(parameter, "valueName", key)
        child(parameter, "value", value)
    _put_area(info, pack)


def _line(fact: Fact) -> str:
    """A fact with what limits it: a time by which gas is gone is never passed on without its caution."""
    return f"{fact.label}: {fact.words} {fact.caution or ''}".rstrip()


def _put_area(info: ET.Element, pack: Pack) -> None:
    area = child(info, "area")
    if pack.where.position is None:
        child(area, "areaDesc", pack.where.site)
        return
    if pack.pictures:
        first = pack.pictures[0]
        child(area, "areaDesc", f"{pack.where.site}: first search radius about the datum, a starting picture")
        child(area, "circle", f"{decimal(first.datum)} {first.radius_m / 1000:.3f}")
        return
    child(area, "areaDesc", f"{pack.where.site}: last known position")
    child(area, "circle", f"{decimal(pack.where.position)} 0")


def _contact(pack: Pack) -> str:
    """Who ashore can be asked: those at the site first, then the contacts in their order, each number once."""
    names: dict[str, str] = {}
    for person in (*pack.on_scene, *pack.contacts):
        names.setdefault(person.phone or "", person.name)
    return "; ".join(f"{name} {national_format(phone)}" for phone, name in names.items() if phone)


def _cut(words: str, most: int) -> str:
    return words if len(words) <= most else f"{words[: most - 3]}..."
