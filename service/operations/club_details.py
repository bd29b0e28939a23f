"""What a club says of itself: whom its contacts call, in which language they read, and where its proofs of life go."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy.orm import Session

from service.domain.encoding import septets, to_gsm7
from service.domain.grace import GracePeriods, Step
from service.domain.language import LANGUAGES
from service.domain.people import ENGLISH, Channel
from service.domain.phone import PhoneError, read_phone
from service.domain.plan import NAME_MAX
from service.operations.canary_dive import set_number
from service.operations.checkpointing import MAIL_SETTING
from service.operations.contact_reading import read_email
from service.operations.example_dive import Example, Place, play
from service.operations.service import Service
from service.operations.setting_changes import Change, NotUndone, changes, mark_of, record, to_undo
from service.operations.signing_in import SignedIn
from service.store import clubs, sites
from service.store.tables.club import ClubRow

CHANGED: Final = "club_changed"
LANGUAGE_SETTING: Final = "language"
UNKNOWN_PLACE: Final = "a place the club does not know"

Values = dict[str, str]


@dataclass(frozen=True, slots=True)
class ClubView:
    """A club as its desk shows it. `values` are those that an owner may change, empty where not set; `mark` theirs.

    `sites` are code, name and rescue call. `mails`: the service can send e-mails.
    """

    name: str
    zone: str
    country: str
    receiving_number: str
    values: Values
    mark: str
    sites: tuple[tuple[str, str, str], ...]
    history: tuple[Change, ...]
    mails: bool


@dataclass(frozen=True, slots=True)
class DetailsSaved:
    """It holds from now on. `seq` is its entry in the chain; None where nothing was different."""

    seq: int | None


@dataclass(frozen=True, slots=True)
class DetailsStale:
    """Somebody changed them after the form was made."""

    view: ClubView


@dataclass(frozen=True, slots=True)
class DetailsWrong:
    """What cannot be taken, and what to do, by field."""

    errors: dict[str, str]


def club_view(service: Service, club_id: str) -> ClubView:
    """The club. Raises LookupError for no such club."""
    return service.read(lambda session: _view(service, session, _club(session, club_id)))


def save(
    service: Service, admin: SignedIn, typed: Mapping[str, str], made_from: str
) -> DetailsSaved | DetailsStale | DetailsWrong:
    """Put what was typed in the place of what stands."""

    def work(session: Session) -> DetailsSaved | DetailsStale | DetailsWrong:
        club = clubs.hold(session, admin.club_id)
        before = _values(club)
        read, errors = _read(session, club, typed)
        if errors:
            return DetailsWrong(errors)
        if mark_of(before) != made_from:
            return DetailsStale(_view(service, session, club))
        return DetailsSaved(_put(service, session, admin, club, read))

    return service.write(work)


def undo(service: Service, admin: SignedIn, seq: int) -> DetailsSaved | DetailsWrong | NotUndone:
    """Set back the last change. What was before is read anew: a number may have become one that divers text to."""

    def work(session: Session) -> DetailsSaved | DetailsWrong | NotUndone:
        club = clubs.hold(session, admin.club_id)
        values = _values(club)
        last = next(iter(changes(session, club.id, CHANGED, None)), None)
        stands = {name: values[name] for name in last.after} if last is not None else {}
        change = to_undo(session, club.id, CHANGED, None, seq, stands)
        if isinstance(change, NotUndone):
            return change
        read, errors = _read(session, club, values | change.before)
        if errors:
            return DetailsWrong(errors)
        return DetailsSaved(_put(service, session, admin, club, read, undoes=change.seq))

    return service.write(work)


def read_rescue_call(typed: str) -> str:
    """Whom contacts are told to call, on one line. Raises ValueError with what to do."""
    return _in_a_text(typed, "Say whom your contacts are to call for rescue, with the number.")


def read_club_name(typed: str) -> str:
    """The name with which texts begin, on one line. Raises ValueError with what to do."""
    return _in_a_text(typed, "Say what the club is called: its texts begin so.")


def _in_a_text(typed: str, if_empty: str) -> str:
    words = " ".join(typed.split())
    # It goes whole into every alarm, in the alphabet of texts, where one letter may become several, or none.
    said = to_gsm7(words)
    if not said.strip():
        raise ValueError(if_empty)
    if septets(said) > NAME_MAX:
        raise ValueError(f"Keep it to {NAME_MAX} letters and digits, as a text has them.")
    return words


def in_an_alarm(service: Service, club_id: str, rescue_call: str) -> tuple[tuple[str, str], ...]:
    """The alert and the call for rescue of an example dive at a place the club does not know, word for word."""
    club = service.read(lambda session: _club(session, club_id))
    place = Place(club.name, UNKNOWN_PLACE, club.zone, rescue_call)
    played = play(GracePeriods(), Example(service.clock.now()), place)
    return tuple(
        (happening.name, happening.said[0].text)
        for moment in played.moments
        for happening in moment.happenings
        if happening.step in {Step.ALERT, Step.DISTRESS}
    )


def _club(session: Session, club_id: str) -> ClubRow:
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    return club


def _values(club: ClubRow) -> Values:
    return {
        "rescue_call": club.rescue_call,
        LANGUAGE_SETTING: str(club.settings.get(LANGUAGE_SETTING) or ENGLISH),
        "canary_number": club.canary_number or "",
        MAIL_SETTING: str(club.settings.get(MAIL_SETTING) or ""),
    }


def _view(service: Service, session: Session, club: ClubRow) -> ClubView:
    values = _values(club)
    listed = tuple((site.code, site.name, site.rescue_call) for site in sites.listing(session, club.id))
    return ClubView(
        name=club.name,
        zone=club.zone,
        country=club.country,
        receiving_number=club.receiving_number,
        values=values,
        mark=mark_of(values),
        sites=listed,
        history=tuple(changes(session, club.id, CHANGED, None)),
        mails=Channel.EMAIL in service.channels,
    )


def _read(session: Session, club: ClubRow, typed: Mapping[str, str]) -> tuple[Values, dict[str, str]]:
    readers: dict[str, Callable[[str], str]] = {
        "rescue_call": read_rescue_call,
        LANGUAGE_SETTING: _language,
        "canary_number": lambda words: _canary(session, club, words),
        MAIL_SETTING: lambda words: read_email(words) or "",
    }
    read: Values = {}
    errors: dict[str, str] = {}
    for name, reader in readers.items():
        try:
            read[name] = reader(typed.get(name, ""))
        except ValueError as error:
            errors[name] = str(error)
    return read, errors


def _language(typed: str) -> str:
    if typed not in LANGUAGES:
        raise ValueError("Choose one of these languages.")
    return typed


def _canary(session: Session, club: ClubRow, typed: str) -> str:
    if not typed.strip():
        return ""
    number = read_phone(typed, club.country)
    if clubs.by_receiving_number(session, number) is not None:
        raise PhoneError("Divers text to this number: it would text itself. Give a phone that the club owns.")
    return number


def _put(
    service: Service, session: Session, admin: SignedIn, club: ClubRow, read: Values, undoes: int | None = None
) -> int | None:
    before = _values(club)
    changed = [name for name in before if before[name] != read[name]]
    if not changed:
        return None
    club.rescue_call = read["rescue_call"]
    settings: dict[str, Any] = {**club.settings, LANGUAGE_SETTING: read[LANGUAGE_SETTING]}
    club.settings = settings | {MAIL_SETTING: read[MAIL_SETTING] or None}
    if "canary_number" in changed:
        set_number(service, session, club.id, read["canary_number"] or None)
    session.flush()
    return record(
        service,
        session,
        admin,
        CHANGED,
        about=None,
        before={name: before[name] for name in changed},
        after={name: read[name] for name in changed},
        undoes=undoes,
    )
