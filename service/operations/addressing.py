"""Whose text it is, what its sender is to which dives, and how they are asked which of them they mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.state import ALARMED, REOPEN_WITHIN
from service.domain.people import ENGLISH, Actor, Role, Via
from service.domain.phone import mask
from service.domain.texts import Intent, Kind
from service.domain.texts.slips import slip_of
from service.domain.texts.typed import typed
from service.domain.wording import general
from service.domain.wording.which_dive import Choice, how_it_stands, which_dive
from service.operations.choosing import (
    ENDINGS,
    FOR_CONTACTS,
    begun_unheard,
    crossed,
    has_part,
    is_far_off,
    is_live,
    is_open,
    not_asked_for,
    not_begun,
    out_too_soon,
    over_lately,
)
from service.operations.contact_reading import club_language
from service.operations.service import Service
from service.store import admins, dive_lists, dives, sites
from service.store.dives import Match, PhoneMatch, Unreadable
from service.store.links import DEAD_AFTER_CLOSE
from service.store.tables import AdminRow
from service.store.tables.club import ClubRow

_ASKED_AFTERWARDS = (Kind.WHERE, Kind.PACK)  # as long as the links of a dive live
_OPEN_TO_ADMINS = (*FOR_CONTACTS, Kind.WHERE, Kind.OPT_OUT)
_CLOSED_LATELY_MAX = 20
_LISTED_MAX = 500


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
    answer_unclear: bool = True  # whether the sender is answered where the text is not understood
    unreadable: tuple[Unreadable, ...] = ()  # dives of the sender whose state cannot be read
    broken: str | None = None  # the dive that the text was found to act on and that cannot be read
    language: str = ENGLISH  # of the sender
    by_us: bool = False  # put in for the phone of a canary dive, from which nothing came
    said_at: datetime | None = None  # when it came, where it lay somewhere for more than a minute

    @property
    def meant_at(self) -> datetime:
        """The moment that its words are of."""
        return self.said_at or self.now


@dataclass(frozen=True, slots=True)
class Answer:
    """What the sender is told beyond the messages of the dive itself, which dive it was, and a note for the log."""

    words: str | None = None
    dive_id: str | None = None
    note: str | None = None
    has_dive: bool = False  # the sender belongs to an open dive, whichever is meant
    pack_for: PackFor | None = None  # whose link to the handover pack goes behind the words
    standing: bool = False  # the words say how the dive stands, which something graver may overtake
    unheard: bool = False  # a call for help that no dive takes up, so that no contact hears of it


@dataclass(frozen=True, slots=True)
class PackFor:
    """A dive, and the key of the person who gets a link to its handover pack."""

    dive: Dive
    person_key: str


def matches_of(text: Text) -> list[Match]:
    """The dives that the sender belongs to, also those that cannot be read.

    For what a person ashore texts, an admin of the club belongs to every dive whose alarm is up: the hand-up went to
    them and asks for these answers.
    """
    kind = text.intent.kind
    within = DEAD_AFTER_CLOSE if kind in _ASKED_AFTERWARDS else REOPEN_WITHIN
    # Words of an end, or for help, that lay somewhere may be about a dive that was over long before they are read.
    at = text.meant_at if kind in (*ENDINGS, Kind.RAISE_NOW) else text.now
    matches = dives.for_phone(text.session, text.club.receiving_number, text.phone, at - within)
    admin = _admin(text) if kind in _OPEN_TO_ADMINS else None
    if admin is None:
        return matches
    known = {_id_of(match) for match in matches}
    more = [dives.match_of(dive, (_admin_key(admin),)) for dive in _for_admins(text, within)]
    return [*matches, *(match for match in more if _id_of(match) not in known)]


def _id_of(match: Match) -> str:
    return match.dive_id if isinstance(match, Unreadable) else match.dive.id


def _for_admins(text: Text, within: timedelta) -> list[Dive | Unreadable]:
    session, club_id = text.session, text.club.id
    listed = [one.dive for phase in ALARMED for one in dive_lists.listing(session, club_id, phase, _LISTED_MAX)]
    # An exercise with one phone is handed up to nobody: an answer to a real alarm must not have to say which.
    alarmed = [dive for dive in listed if isinstance(dive, Unreadable) or not dive.of_one_phone]
    if text.intent.kind not in _ASKED_AFTERWARDS:
        return alarmed
    closed = dive_lists.listing(session, club_id, Phase.CLOSED, _CLOSED_LATELY_MAX)
    readable = [one.dive for one in closed if isinstance(one.dive, Dive)]
    return alarmed + [
        dive for dive in readable if dive.alarm_at and dive.closed_at and text.now - dive.closed_at < within
    ]


def _admin(text: Text) -> AdminRow | None:
    found = admins.admins_to_tell(text.session, text.club.id)
    return next((admin for admin in found if admin.phone == text.phone), None)


def _admin_key(admin: AdminRow) -> str:
    return f"{Role.ADMIN}-{admin.id}"


def language_of_sender(text: Text, matches: Sequence[Match]) -> str:
    """The sender's language by any of their dives, else that of the club."""
    people = [match.dive.person(key) for match in matches if isinstance(match, PhoneMatch) for key in match.keys]
    return next((person.language for person in people if person is not None), club_language(text.club))


def keys_of(text: Text, dive: Dive) -> tuple[str, ...]:
    """Who the sender is among the people of a dive."""
    return tuple(person.key for person in dive.divers + dive.contacts if person.phone == text.phone)


_VERBS: dict[Kind, str] = {
    Kind.START: "IN",
    Kind.FINISH: "OUT",
    Kind.CALL_OFF: "NOGO",
    Kind.OK: "OK",
    Kind.CALLED: "CALLED",
    Kind.NOT_CALLED: "NOT CALLED",
    Kind.STATUS: "STATUS",
    Kind.ON_SCENE: "ON SCENE",
    Kind.WHERE: "WHERE",
    Kind.PACK: "PACK",
}


def at_site(text: Text, matches: list[Match]) -> list[Match]:
    """Those at the site that was named, by any of its names; a site of none of them means none of them."""
    if text.intent.site is None or text.intent.ref is not None:
        return matches
    row = sites.find(text.session, text.club.id, text.intent.site)
    wanted = {text.intent.site.casefold()} | ({row.code.casefold(), row.name.casefold()} if row else set())
    return [match for match in matches if wanted & _site_names(match)]


def _site_names(match: Match) -> set[str]:
    code = match.dive.plan.site.code if isinstance(match, PhoneMatch) else None
    return {(code or match.site_name).casefold(), match.site_name.casefold()}


def ask_which(text: Text, meant: Sequence[Match]) -> str:
    """The answer to a text that could mean several dives: what to text for each of them.

    No text tells those apart that have one reference, as some have where a club has a hundred open dives.
    """
    if len({match.reference for match in meant}) < len(meant):
        return general.same_reference(text.club.name, meant[0].reference, text.language)
    return which_dive(text.club.name, [_choice(text, match) for match in meant], text.language)


def _choice(text: Text, match: Match) -> Choice:
    """What to text for that dive, and what its sender knows it by: of their own they need not be told the lead."""
    naming = _naming(text, match)
    if isinstance(match, Unreadable):
        return Choice(naming, match.site_name)
    dive = match.dive
    lead = "" if dive.lead.key in match.keys else dive.lead.name
    return Choice(naming, dive.plan.site.name, dive.plan.site.code or "", lead, how_it_stands(dive, text.now))


def _naming(text: Text, match: Match) -> str:
    """The same words with the reference of that dive; an OUT of somebody ashore is SAFE there.

    With its count: who is told to text less than they said would end more than they meant.
    """
    kind, count = _kind_meant(text), text.intent.count
    if kind is Kind.SAFE or (kind is Kind.FINISH and not has_part(match, Role.DIVER)):
        return f"SAFE {count or match.head_count} {match.reference}"
    if kind is Kind.LATE:
        return f"LATE {text.intent.minutes or 20} {match.reference}"
    verb = _VERBS.get(kind, "STATUS")
    if count is not None and kind is Kind.START:
        return f"{verb} P{count} {match.reference}"
    if count is not None and kind is Kind.FINISH:
        of = "" if text.intent.of is None else f" of {text.intent.of}"
        return f"{verb} {count}{of} {match.reference}"
    return f"{verb} {match.reference}"


def _kind_meant(text: Text) -> Kind:
    """Of a text that is one slip of a thumb away from a form, that form: whoever slipped is told the word to send."""
    slip = slip_of(typed(text.words)) if text.intent.kind is Kind.UNCLEAR else None
    return slip or text.intent.kind


def instead(text: Text, matches: Sequence[Match], meant: Sequence[Match]) -> Answer | None:
    """The answer to words that may well be about another dive than the one that they would close, or answer.

    An OUT that is said twice must not close the next plan, or the next dive as it begins, which nobody would then ask
    about or miss, nor an OUT of one group the dive of the other; nor a second SAFE a dive that is still in; nor what is
    said to one alarm answer the next.
    """
    intent, at = text.intent, text.meant_at
    over = crossed(intent, matches, meant, at) or out_too_soon(intent, matches, meant, at)
    if over is not None:
        return _over_already(text, over, meant[0])
    plan = not_begun(intent, meant)
    runs = [match for match in matches if is_live(match.phase)]
    others = begun_unheard(intent, matches, meant, at) if plan is None else runs
    if others:
        return Answer(ask_which(text, [*meant, *others]), note="several dives")
    return _not_waited_for(text, matches, plan or not_asked_for(intent, meant))


def _not_waited_for(text: Text, matches: Sequence[Match], match: PhoneMatch | None) -> Answer | None:
    """The answer to an end of a dive or plan of which nobody has asked for one, unless it can mean nothing else."""
    if match is None:
        return None
    over = over_lately(matches, text.meant_at)
    if over is not None:
        return _over_already(text, over, match)
    if not match.dive.live and is_far_off(match, text.meant_at):
        words = general.not_begun(text.club.name, match.reference, _naming(text, match), text.language)
        return Answer(words, note="not begun")
    return None


def _over_already(text: Text, over: Match, other: Match) -> Answer:
    """What they may mean is over; which text would do it to the other dive."""
    club, naming = text.club.name, _naming(text, other)
    words = general.over_already(club, over.reference, other.reference, naming, text.language)
    return Answer(words, note="over already")


def without_dive(text: Text, matches: Sequence[Match]) -> Answer:
    """The answer to a phone that has no dive, or none at the site or by the reference that it names."""
    club, ref, language = text.club.name, text.intent.ref, text.language
    known = [match.reference for match in matches if is_open(match.phase)]
    if ref is not None and known:
        return Answer(general.no_such_reference(club, ref, known, language), note="no dive of that reference")
    if text.intent.site is not None:
        return Answer(
            general.no_plan_there(text.club.name, text.intent.site, text.language), note="no plan for that site"
        )
    return Answer(general.no_dive(text.club.name, text.language), note="no dive for this phone")


def sender_of(text: Text, dive: Dive, keys: Sequence[str], wanted: Role | None) -> Actor:
    """Who the sender is to this dive; a phone may be a diver's and a contact's, then what is asked decides."""
    ordered = sorted(keys, key=lambda key: not key.startswith(wanted or Role.CONTACT))
    person = dive.person(ordered[0]) if ordered else None
    admin = _admin(text) if person is None and ordered else None
    if admin is not None:
        return _as(text, Role.ADMIN, admin.name, _admin_key(admin))
    if person is None:
        return _as(text, Role.STRANGER, f"a phone ending {mask(text.phone)[-3:]}", None)
    return _as(text, Role.DIVER if person in dive.divers else Role.CONTACT, person.name, person.key)


def _as(text: Text, role: Role, name: str, key: str | None) -> Actor:
    return Actor(role, name, Via.TEXT, key, text.phone, text.words, text.said_at)
