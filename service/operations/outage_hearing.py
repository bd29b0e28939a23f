"""What texts in the spool mean to the dives of a snapshot, while nobody can bring them into the database.

Less than the database would hear, and never more: only what is wholly understood and can mean one dive alone. All of it
stays in the spool, and is read again, in full, when the database is back.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.domain.dive import Command, Dive, Phase
from service.domain.dive import commands as do
from service.domain.people import Actor, Role, Via
from service.domain.phone import mask
from service.domain.texts import Intent, Kind, read
from service.operations.gateway import InboundText

Asked = tuple[str, Command]
"""The id of a dive, and what is asked of it."""

_OPENING = (Kind.START, Kind.CODE)
_ENDING = (Kind.FINISH, Kind.CODE)
_ASHORE = (Kind.OK, Kind.CALLED, Kind.SAFE)
_HELP = (Kind.RAISE_NOW, Kind.WORRY)


@dataclass(frozen=True, slots=True)
class _Match:
    dive: Dive
    by: Actor


def asked_by(text: InboundText, dives: Iterable[Dive]) -> list[Asked]:
    """What a text asks of the dives of the number that it was sent to; nothing where that is not sure."""
    if text.part is not None:
        return []  # half a sentence may be a whole finish
    intent = read(text.body)
    known = [dive for dive in dives if dive.phase is not Phase.CLOSED]
    if intent.code is not None and intent.kind in (*_OPENING, *_ENDING):
        return _by_code(text, intent, known)
    matches = [_Match(dive, by) for dive in known for by in _senders(text, dive)]
    if intent.kind in _HELP:
        return _help(text, intent, matches)
    if intent.kind is Kind.OPT_OUT:
        return [(one.dive.id, do.NoteUnreachable(one.by.own_key, "opted_out")) for one in matches]
    role = Role.CONTACT if intent.kind in _ASHORE else Role.DIVER
    fitting = [one for one in matches if one.by.role is role and _suits(intent, one.dive)]
    # Who is in the water and has filed another plan for later is out of this one; who answers means an alarm.
    alarmed = [one for one in fitting if one.dive.alarmed] if role is Role.CONTACT else []
    meant = alarmed or [one for one in fitting if one.dive.live] or fitting
    if len({one.dive.id for one in meant}) != 1:
        return []
    command = _command(intent, meant[0].by)
    return [] if command is None or _is_of_before(text, meant[0].dive) else [(meant[0].dive.id, command)]


def _senders(text: InboundText, dive: Dive) -> list[Actor]:
    people = [(Role.DIVER, one) for one in dive.divers] + [(Role.CONTACT, one) for one in dive.contacts]
    sender = text.sender.replace(" ", "")
    return [
        Actor(role, person.name, Via.TEXT, person.key, person.phone, text.body)
        for role, person in people
        if person.phone == sender
    ]


def _by_code(text: InboundText, intent: Intent, dives: Sequence[Dive]) -> list[Asked]:
    for dive in dives:
        by = next(iter(_senders(text, dive)), None) or _stranger(text)
        if intent.kind in _ENDING and dive.finish_code == intent.code and not _is_of_before(text, dive):
            return [(dive.id, do.Finish(by, intent.count, with_code=True, of=intent.of))]
        if intent.kind in _OPENING and dive.start_code == intent.code:
            return [(dive.id, do.Start(by, intent.count, None, text.received_at))]
    return []


def _stranger(text: InboundText) -> Actor:
    phone = text.sender.replace(" ", "")
    return Actor(Role.STRANGER, f"a phone ending {mask(phone)[-3:]}", Via.TEXT, phone=phone, words=text.body)


def _help(text: InboundText, intent: Intent, matches: Sequence[_Match]) -> list[Asked]:
    """Every live dive of the sender; where there is none, by SOS a plan of theirs that has not been started."""
    named = [one for one in matches if one.dive.reference == intent.ref]
    live = named or [one for one in matches if one.dive.live]
    filed = [] if intent.kind is Kind.WORRY or intent.reserved else matches[:1]
    worry = intent.kind is Kind.WORRY
    words = intent.note or text.body.strip() or None
    raised = {one.dive.id: do.RaiseNow(one.by, words, worry=worry) for one in reversed(live or filed)}
    return list(raised.items())


def _suits(intent: Intent, dive: Dive) -> bool:
    if intent.ref is not None:
        return dive.reference == intent.ref
    return dive.phase is Phase.FILED if intent.kind is Kind.START else True


def _command(intent: Intent, by: Actor) -> Command | None:
    """A delay is none of them: it counts when a contact holds it, and the earlier time is the safe one."""
    commands: dict[Kind, Command] = {
        Kind.START: do.Start(by, intent.count),
        Kind.FINISH: do.Finish(by, intent.count, of=intent.of),
        Kind.CALL_OFF: do.CallOff(by),
        Kind.OK: do.Acknowledge(by),
        Kind.CALLED: do.ReportCalled(by, intent.reference),
        Kind.SAFE: do.ReportSafe(by, intent.count, of=intent.of),
    }
    return commands.get(intent.kind)


def _is_of_before(text: InboundText, dive: Dive) -> bool:
    """Words from before what they would end; a finish from before a call for help is none."""
    since = [dive.filed_at, dive.started_at or dive.filed_at]
    if dive.raised_by is not None and dive.alarm_at is not None:
        since.append(dive.alarm_at)
    return text.received_at < max(since)
