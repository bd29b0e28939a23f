"""What a text does: whose dive it means, what it asks, and what its sender is answered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain import codes
from service.domain.dive import Command, Dive, Phase
from service.domain.dive import commands as do
from service.domain.dive.state import REOPEN_WITHIN
from service.domain.encoding import fit
from service.domain.people import Actor, Role, Via
from service.domain.phone import mask
from service.domain.place.position import Position
from service.domain.texts import Intent, Kind
from service.domain.wording import general
from service.domain.wording.phrases import keep, name_of
from service.operations.plainest import raise_within
from service.operations.planning_by_text import file_by_text
from service.operations.recording import apply
from service.operations.service import Service
from service.store import dives, inbound, opt_outs, sites
from service.store.dives import PhoneMatch, UnreadableDive
from service.store.tables.club import ClubRow

WRONG_CODES_MAX = 5
WRONG_CODES_WITHIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Text:
    """One text with all that is needed to answer it."""

    service: Service
    session: Session
    club: ClubRow
    inbound_id: int
    phone: str
    words: str
    intent: Intent
    now: datetime


@dataclass(frozen=True, slots=True)
class Answer:
    """What the sender is told beyond the messages of the dive itself, which dive it was, and a note for the log."""

    words: str | None = None
    dive_id: str | None = None
    note: str | None = None
    has_dive: bool = False  # the sender belongs to an open dive, whichever is meant


def answer(text: Text) -> Answer:
    """Do what a text asks. A finish is never guessed; where several dives could be meant, nothing is done."""
    try:
        with text.session.begin_nested():
            matches = dives.for_phone(text.session, text.club.receiving_number, text.phone, text.now - REOPEN_WITHIN)
            answered = _answer(text, matches)
    except UnreadableDive as fault:
        return _unreadable(text, fault.dive_id)
    return replace(answered, has_dive=any(_is_open(match.dive) for match in matches))


def _unreadable(text: Text, dive_id: str) -> Answer:
    """The sender's dive cannot be read: its contacts hear of trouble all the same, and the sender what to do."""
    told = ""
    if text.intent.kind in (Kind.RAISE_NOW, Kind.WORRY):
        raise_within(text.service, text.session, dive_id, text.now)
        told = " Your contacts are told."
    words = fit(
        [
            name_of(f"{text.club.name}:"),
            keep(f"our fault: your dive cannot be read, so your text changed nothing.{told} Phone your contacts."),
            keep(f"In trouble call {text.club.rescue_call}"),
        ],
        2,
    )
    return Answer(words, dive_id, note="the dive cannot be read", has_dive=True)


def _answer(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    _heard_from(text, matches)
    by_kind = _BY_KIND.get(text.intent.kind)
    if by_kind is not None:
        return by_kind(text, matches)
    if text.intent.code is not None:
        return _by_code(text)
    return _by_phone(text, matches)


def _heard_from(text: Text, matches: Sequence[PhoneMatch]) -> None:
    """Whoever writes can be reached after all, unless they write to be left alone."""
    if text.intent.kind is Kind.OPT_OUT:
        return
    for match in matches:
        for key in match.keys:
            if key in match.dive.unreachable and not _opted_out(text):
                apply(text.service, text.session, match.dive.id, do.NoteReachable(person=key), text.now)


def _opted_out(text: Text) -> bool:
    return opt_outs.is_opted_out(text.session, text.club.receiving_number, text.phone)


# By code: any phone may use one


# With any other kind a code only says which dive is meant: "LATE 20" and the finish code is no finish.
_CODE_ACTS = (Kind.START, Kind.FINISH, Kind.CODE)


def _by_code(text: Text) -> Answer:
    session, number, now = text.session, text.club.receiving_number, text.now
    name = text.club.name
    if inbound.wrong_codes_since(session, number, text.phone, now - WRONG_CODES_WITHIN) >= WRONG_CODES_MAX:
        return Answer(general.codes_locked(name), note="codes locked")
    code = text.intent.code or ""
    found = dives.by_code(session, number, code) if codes.is_valid(code) else None
    if found is None:
        inbound.note_wrong_code(session, number, text.phone, now)
        wrong = inbound.wrong_codes_since(session, number, text.phone, now - WRONG_CODES_WITHIN)
        words = general.codes_locked(name) if wrong >= WRONG_CODES_MAX else general.no_such_code(name)
        return Answer(words, note="wrong code")
    wanted = {Kind.START: "start", Kind.FINISH: "finish"}.get(text.intent.kind, found.kind)
    dive = dives.get(session, found.dive_id)
    if dive is None or wanted != found.kind:
        return Answer(general.other_code(name, found.kind), found.dive_id, note="the other code of that dive")
    wanted_part = Role.CONTACT if text.intent.kind in _FOR_CONTACTS else Role.DIVER
    by = _actor(text, dive, _keys(text, dive), wanted_part)
    if text.intent.kind not in _CODE_ACTS:
        return _do(text, dive, by)
    if found.kind == "start":
        return _ask(text, dive, do.Start(by, text.intent.count, _position(text.intent)))
    return _ask(text, dive, do.Finish(by, text.intent.count, with_code=True))


def _keys(text: Text, dive: Dive) -> tuple[str, ...]:
    return tuple(person.key for person in dive.divers + dive.contacts if person.phone == text.phone)


# By phone: whose dives does it belong to


_VERBS = {
    Kind.START: "IN",
    Kind.FINISH: "OUT",
    Kind.CALL_OFF: "NOGO",
    Kind.OK: "OK",
    Kind.CALLED: "CALLED",
    Kind.STATUS: "STATUS",
}
_FOR_CONTACTS = (Kind.OK, Kind.CALLED, Kind.SAFE)


def _by_phone(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    wanted = Role.CONTACT if text.intent.kind in _FOR_CONTACTS else Role.DIVER
    meant = _meant(text, matches, wanted)
    if not meant:
        return _without_dive(text)
    if len(meant) > 1:
        return Answer(_which(text, meant), note="several dives")
    match = meant[0]
    return _do(text, match.dive, _actor(text, match.dive, match.keys, wanted))


def _do(text: Text, dive: Dive, by: Actor) -> Answer:
    if text.intent.kind is Kind.STATUS:
        return Answer(general.status(dive, by, text.now), dive.id)
    return _ask(text, dive, _command(text, by))


def _meant(text: Text, matches: Sequence[PhoneMatch], wanted: Role) -> list[PhoneMatch]:
    """The dives that a text can mean: by its reference, by the sender's part in them, by what it asks."""
    if text.intent.ref is not None:
        return [match for match in matches if match.dive.reference == text.intent.ref][:1]
    in_part = [match for match in matches if any(key.startswith(wanted) for key in match.keys)] or list(matches)
    for suits in _SUITS.get(text.intent.kind, (_is_live, _is_open)):
        fitting = [match for match in in_part if suits(match.dive)]
        if fitting:
            return _at_site(text, fitting)
    return in_part[:1]


def _is_live(dive: Dive) -> bool:
    return dive.live


def _is_open(dive: Dive) -> bool:
    return dive.phase is not Phase.CLOSED


def _is_filed(dive: Dive) -> bool:
    return dive.phase is Phase.FILED


def _is_alarmed(dive: Dive) -> bool:
    return dive.alarmed


_SUITS: dict[Kind, tuple[Callable[[Dive], bool], ...]] = {
    Kind.START: (_is_filed, _is_live),
    Kind.CALL_OFF: (_is_filed, _is_live),
    Kind.OK: (_is_alarmed, _is_live, _is_open),
    Kind.CALLED: (_is_alarmed, _is_live, _is_open),
    Kind.SAFE: (_is_alarmed, _is_live, _is_open),
}


def _at_site(text: Text, matches: list[PhoneMatch]) -> list[PhoneMatch]:
    """Those at the site that was named, by any of its names; a site of none of them means none of them."""
    if text.intent.site is None:
        return matches
    row = sites.find(text.session, text.club.id, text.intent.site)
    wanted = {text.intent.site.casefold()} | ({row.code.casefold()} if row else set())
    return [match for match in matches if wanted & _site_names(match.dive)]


def _site_names(dive: Dive) -> set[str]:
    return {(dive.plan.site.code or dive.plan.site.name).casefold(), dive.plan.site.name.casefold()}


def _which(text: Text, meant: Sequence[PhoneMatch]) -> str:
    verb = _VERBS.get(text.intent.kind)
    if verb is None and text.intent.kind is Kind.LATE:
        verb = f"LATE {text.intent.minutes or 20}"
    if verb is None and text.intent.kind is Kind.SAFE:
        verb = f"SAFE {text.intent.count or meant[0].dive.head_count}"
    return general.which_dive(text.club.name, verb or "STATUS", [match.dive.reference for match in meant])


def _without_dive(text: Text) -> Answer:
    if text.intent.site is not None:
        return Answer(general.no_plan_there(text.club.name, text.intent.site), note="no plan for that site")
    return Answer(general.no_dive(text.club.name), note="no dive for this phone")


def _actor(text: Text, dive: Dive, keys: Sequence[str], wanted: Role) -> Actor:
    """Who the sender is to this dive; a phone may be a diver's and a contact's, then what is asked decides."""
    ordered = sorted(keys, key=lambda key: not key.startswith(wanted))
    person = dive.person(ordered[0]) if ordered else None
    if person is None:
        name = f"a phone ending {mask(text.phone)[-3:]}"
        return Actor(Role.STRANGER, name, Via.TEXT, phone=text.phone, words=text.words)
    role = Role.DIVER if person in dive.divers else Role.CONTACT
    return Actor(role, person.name, Via.TEXT, key=person.key, phone=text.phone, words=text.words)


def _position(intent: Intent) -> Position | None:
    return None if intent.position is None else Position(*intent.position)


def _command(text: Text, by: Actor) -> Command:
    """The command that a text is, from somebody who belongs to the dive."""
    intent = text.intent
    position = _position(intent)
    if intent.kind is Kind.POSITION and position is not None:
        return do.ReportFix(by, position)
    commands: dict[Kind, Command] = {
        Kind.START: do.Start(by, intent.count, position),
        Kind.FINISH: do.Finish(by, intent.count),
        Kind.LATE: do.Extend(by, intent.minutes, intent.until),
        Kind.CALL_OFF: do.CallOff(by),
        Kind.OK: do.Acknowledge(by),
        Kind.CALLED: do.ReportCalled(by, intent.reference),
        Kind.SAFE: do.ReportSafe(by, intent.count),
    }
    return commands.get(intent.kind) or do.Hear(by, text.words, intent.near)


def _ask(text: Text, dive: Dive, command: Command) -> Answer:
    applied = apply(text.service, text.session, dive.id, command, text.now)
    if applied is None or applied.refusal is None:
        return Answer(dive_id=dive.id)
    return Answer(general.refused(applied.dive, applied.refusal), dive.id, note=applied.refusal.code)


# Kinds with a way of their own


def _raise(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """SOS is believed from anybody who belongs to a dive: every live one of theirs, else a filed or just closed one."""
    named = [match for match in matches if match.dive.reference == text.intent.ref] or _of_code(text)
    live = named or [match for match in matches if match.dive.live]
    filed = [match for match in matches if match.dive.phase is Phase.FILED]
    if text.intent.reserved and not live:
        return Answer(general.how_it_works(text.club.name))
    chosen = live or filed[:1] or list(matches)[:1]
    if not chosen:
        return Answer(general.sos_without_dive(text.club.name, text.club.rescue_call), note="SOS with no dive")
    answers = [_raise_one(text, match) for match in chosen]
    return answers[0]


def _of_code(text: Text) -> list[PhoneMatch]:
    """An SOS from a borrowed phone may name its dive by a code; a wrong one holds nothing up."""
    code = text.intent.code or ""
    found = dives.by_code(text.session, text.club.receiving_number, code) if codes.is_valid(code) else None
    dive = dives.get(text.session, found.dive_id) if found else None
    return [] if dive is None else [PhoneMatch(dive, _keys(text, dive))]


def _raise_one(text: Text, match: PhoneMatch) -> Answer:
    """The alarm first; a position that came with it follows, so that nothing about it can hold the alarm up."""
    by = _actor(text, match.dive, match.keys, Role.DIVER)
    raised = _ask(text, match.dive, do.RaiseNow(by, _note(text)))
    position = _position(text.intent)
    if position is not None:
        _ask(text, match.dive, do.ReportFix(by, position))
    return raised


def _note(text: Text) -> str | None:
    return text.intent.note or (text.words.strip() or None)


def _worry(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """Words of trouble from a phone with a live dive raise the alarm; from others they are answered."""
    live = [match for match in matches if match.dive.live]
    if not live:
        unclear = replace(text.intent, kind=Kind.UNCLEAR)
        if matches:
            return _by_phone(replace(text, intent=unclear), matches)
        return Answer(general.sos_without_dive(text.club.name, text.club.rescue_call), note="worry with no dive")
    answers = [
        _ask(
            text,
            match.dive,
            do.RaiseNow(_actor(text, match.dive, match.keys, Role.DIVER), text.words.strip(), worry=True),
        )
        for match in live
    ]
    return answers[0]


def _opt_out(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """The carrier answers; we send nothing more, and every open dive learns that this phone is deaf. No clock stops."""
    opt_outs.opt_out(text.session, text.club.receiving_number, text.phone, text.now)
    touched = None
    for match in matches:
        for key in match.keys:
            apply(text.service, text.session, match.dive.id, do.NoteUnreachable(key, "opted_out"), text.now)
            touched = touched or match.dive.id
    return Answer(dive_id=touched, note="opted out")


def _opt_in(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    opt_outs.opt_in(text.session, text.club.receiving_number, text.phone, text.now)
    for match in matches:
        for key in match.keys:
            apply(text.service, text.session, match.dive.id, do.NoteReachable(key), text.now)
    return Answer(general.opted_in(text.club.name), note="opted in")


def _info(text: Text, _: Sequence[PhoneMatch]) -> Answer:
    return Answer(general.how_it_works(text.club.name))


def _plan(text: Text, _: Sequence[PhoneMatch]) -> Answer:
    words, dive_id = file_by_text(text.service, text.session, text.club, text.phone, text.intent, text.words, text.now)
    return Answer(words, dive_id, note="plan by text")


_BY_KIND: dict[Kind, Callable[[Text, Sequence[PhoneMatch]], Answer]] = {
    Kind.RAISE_NOW: _raise,
    Kind.WORRY: _worry,
    Kind.OPT_OUT: _opt_out,
    Kind.OPT_IN: _opt_in,
    Kind.INFO: _info,
    Kind.PLAN: _plan,
}
