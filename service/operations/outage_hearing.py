"""What texts in the spool mean to the dives of a snapshot, while nobody can bring them into the database.

Less than the database would hear, and never more: only what is wholly understood and can mean one dive alone. All of it
stays in the spool, and is read again, in full, when the database is back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from service.domain.dive import Command, Dive, Phase
from service.domain.dive import commands as do
from service.domain.grace import Step
from service.domain.people import Actor, Role, Via
from service.domain.phone import mask
from service.domain.texts import Intent, Kind, read
from service.domain.texts.incomplete import read_incomplete
from service.operations.choosing import (
    begun_unheard,
    but_exercises,
    crossed,
    has_part,
    is_of_themselves,
    meant_by,
    meant_by_help,
    not_asked_for,
    not_begun,
    out_too_soon,
    read_again,
    run_time_of,
    wanted_part,
)
from service.operations.gateway import InboundText
from service.operations.own_numbers import phone_heard
from service.store.dives import Match, PhoneMatch
from service.store.snapshots import OpenDive

Asked = tuple[str, Command]
"""The id of a dive, and what is asked of it."""

_OPENING = (Kind.START, Kind.CODE)
_ENDING = (Kind.FINISH, Kind.CODE)
HELP = (Kind.RAISE_NOW, Kind.WORRY)
_AS_ADMIN = f"{Role.ADMIN}-"


def asked_by(
    text: InboundText,
    dives: Iterable[Dive],
    admins: Mapping[str, str] = MappingProxyType({}),
    country: str | None = None,
    elsewhere: Iterable[Dive] = (),
) -> list[Asked]:
    """What a text asks of the dives of the number that it was sent to; nothing where that is not sure.

    Among them are those that ended shortly before the outage: a call for help, an answer or a bare OUT may be about
    one. `country`: of the club; a gateway may write its sender as it is dialled there.
    `admins`: the phones of the club's, with who that is. An alarm that was handed up to them may be what they answer,
    so it is one more dive that they could mean; their word as admins waits for the database, but that they want nothing
    from us: who had answered an alarm acts on it no more.
    `elsewhere`: the dives of other clubs, of which only a call for help can be.
    """
    dives = list(dives)
    text, intent = replace(text, sender=phone_heard(text.sender, country)), read_heard(text)
    if text.part is not None and intent.kind not in HELP:
        return []  # half a sentence may be a whole finish
    known = [dive for dive in dives if dive.phase is not Phase.CLOSED]
    lately = [PhoneMatch(dive, keys) for dive in dives if dive.phase is Phase.CLOSED and (keys := _keys(text, dive))]
    if intent.code is not None and intent.kind in (*_OPENING, *_ENDING):
        return _by_code(text, intent, known)
    matches = [PhoneMatch(dive, keys) for dive in known if (keys := _keys(text, dive))]
    if intent.kind in HELP:
        others = [PhoneMatch(dive, keys) for dive in elsewhere if dive.live and (keys := _keys(text, dive))]
        of_code = [PhoneMatch(dive, _keys(text, dive)) for dive in dives if _has_code(dive, intent)]
        return _help(text, intent, [*matches, *lately], [one for one in others if not one.dive.drill], of_code)
    if intent.kind is Kind.OPT_OUT:
        words = [(one.dive.id, key) for one in matches for key in one.keys]
        words += [(dive.id, admins[text.sender]) for dive in known if text.sender in admins]
        return [(dive_id, do.NoteUnreachable(key, "opted_out", said=True)) for dive_id, key in words]
    if intent.kind is Kind.OPT_IN:
        return [(one.dive.id, do.NoteReachable(key)) for one in matches for key in one.keys]
    if text.sender in admins:
        handed_up = [dive for dive in known if Step.HAND_UP in dive.steps and not _keys(text, dive)]
        matches += [PhoneMatch(dive, (_AS_ADMIN,)) for dive in handed_up]
    return _asked_of_one(text, read_again(intent, matches), matches, lately)


def read_heard(text: InboundText) -> Intent:
    """A text, or what there is of one: nobody can wait now until its other parts are put together."""
    return read(text.body) if text.part is None else read_incomplete(text.body)


def unreadable_of(text: InboundText, country: str | None, kept: Iterable[OpenDive], *, alone: bool) -> list[str]:
    """The dives that cannot be read and that a call for help may be about, by the phones in their plain columns.

    `alone`: it is about none that can be read, and so maybe about one of these that is over.
    """
    intent = read_heard(text)
    if intent.kind not in HELP:
        return []
    sender, over_too = (
        phone_heard(text.sender, country),
        alone and intent.kind is Kind.RAISE_NOW and not intent.reserved,
    )
    mine = [one for one in kept if one.facts is not None and any(phone.phone == sender for phone in one.facts.phones)]
    return [one.id for one in mine if one.closed_at is None or (over_too and one.facts and not one.facts.drill)]


def _asked_of_one(
    text: InboundText, intent: Intent, matches: Sequence[PhoneMatch], lately: Sequence[PhoneMatch]
) -> list[Asked]:
    wanted = wanted_part(intent, matches)
    meant = [one for one in meant_by(intent, matches, wanted) if isinstance(one, PhoneMatch)]
    if len(meant) != 1 or not has_part(meant[0], wanted) or meant[0].keys == (_AS_ADMIN,):
        return []
    # Nobody can be asked now: what may be about a dive that ended lately, or about a plan, waits for the database.
    unasked = not_begun(intent, meant) or not_asked_for(intent, meant)
    every, at = [*matches, *lately], text.received_at
    over = crossed(intent, every, meant, at) or out_too_soon(intent, every, meant, at)
    doubtful = unasked is not None or over is not None or begun_unheard(intent, matches, meant, at)
    if doubtful or (is_of_themselves(intent) and wanted is not Role.DIVER):
        return []
    dive = meant[0].dive
    command = _command(intent, _sender(text, meant[0], wanted))
    if command is None or _is_of_before(text, dive) or _was_denied_since(text, dive, command):
        return []
    return [(dive.id, command)]


def _keys(text: InboundText, dive: Dive) -> tuple[str, ...]:
    return tuple(person.key for person in dive.divers + dive.contacts if person.phone == text.sender)


def _sender(text: InboundText, match: PhoneMatch, wanted: Role | None) -> Actor:
    """Who the sender is to this dive; a phone may be a diver's and a contact's, then what is asked decides."""
    person = match.dive.person(min(match.keys, key=lambda key: not key.startswith(wanted or Role.CONTACT), default=""))
    if person is None:
        name = f"a phone ending {mask(text.sender)[-3:]}"
        return Actor(Role.STRANGER, name, Via.TEXT, phone=text.sender, words=text.body, said_at=text.received_at)
    role = Role.DIVER if person in match.dive.divers else Role.CONTACT
    return Actor(role, person.name, Via.TEXT, person.key, person.phone, text.body, text.received_at)


def _by_code(text: InboundText, intent: Intent, dives: Sequence[Dive]) -> list[Asked]:
    for dive in dives:
        by = _sender(text, PhoneMatch(dive, _keys(text, dive)), Role.DIVER)
        if intent.kind in _ENDING and dive.finish_code == intent.code and not _is_of_before(text, dive):
            return [(dive.id, do.Finish(by, intent.count, with_code=True, of=intent.of))]
        if intent.kind in _OPENING and dive.start_code == intent.code:
            return [(dive.id, do.Start(by, intent.count, None, text.received_at, run_time=run_time_of(intent)))]
    return []


def _has_code(dive: Dive, intent: Intent) -> bool:
    return intent.kind is Kind.RAISE_NOW and intent.code in (dive.start_code, dive.finish_code)


def _help(
    text: InboundText,
    intent: Intent,
    matches: Sequence[PhoneMatch],
    elsewhere: Sequence[PhoneMatch],
    of_code: Sequence[PhoneMatch],
) -> list[Asked]:
    """Every live dive of the sender; where there is none, by SOS the dive of theirs that it is about by the time.

    That may be one that ended lately. `of_code`: those whose code is in it, whoever sends it.
    """
    at, worry = text.received_at, intent.kind is Kind.WORRY
    of_name = [one for one in matches if one.dive.reference == intent.ref] or of_code
    named = [one for one in of_name if one.dive.phase is not Phase.CLOSED or one.dive.can_reopen(at)]
    live = named or meant_by_help(matches, at, running=True)
    meant: Sequence[Match] = live
    if not named and not but_exercises(live):
        running = worry or bool(intent.reserved)
        meant = elsewhere or meant_by_help(matches, at, running=running)
    words = intent.note or text.body.strip() or None
    return [
        (one.dive.id, do.RaiseNow(_sender(text, one, Role.DIVER), words, worry=worry))
        for one in meant
        if isinstance(one, PhoneMatch)
    ]


def _command(intent: Intent, by: Actor) -> Command | None:
    """A delay is none of them: it counts when a contact holds it, and the earlier time is the safe one."""
    commands: dict[Kind, Command] = {
        Kind.START: do.Start(by, intent.count, run_time=run_time_of(intent)),
        Kind.FINISH: do.Finish(by, intent.count, of=intent.of),
        Kind.CALL_OFF: do.CallOff(by),
        Kind.OK: do.Acknowledge(by),
        Kind.CALLED: do.ReportCalled(by, intent.reference),
        Kind.NOT_CALLED: do.TakeBackCalled(by, own=bool(intent.own)),
        Kind.SAFE: do.ReportSafe(by, intent.count, of=intent.of),
    }
    return commands.get(intent.kind)


def _is_of_before(text: InboundText, dive: Dive) -> bool:
    """Words from before what they would end; a finish from before a call for help is none."""
    since = [dive.filed_at, dive.started_at or dive.filed_at]
    if dive.raised_by is not None and dive.alarm_at is not None:
        since.append(dive.alarm_at)
    return text.received_at < max(since)


def _was_denied_since(text: InboundText, dive: Dive, command: Command) -> bool:
    """A word that rescue was called, which lay while the last such word was taken back: it would calm wrongly."""
    called = isinstance(command, do.ReportCalled)
    return called and any(text.received_at < one.at for one in dive.taken_back)
