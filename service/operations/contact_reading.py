"""From what was typed about contacts to people with ways to reach them: phone, e-mail, language, ways."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from email_validator import EmailNotValidError, validate_email

from service.domain.language import LANGUAGES, is_language
from service.domain.people import ENGLISH, Channel
from service.domain.phone import PhoneError, probably_landline, read_phone
from service.domain.plan import Check, Contact, Level
from service.operations.one_line import one_line
from service.store.tables.club import ClubRow

DIRECT = (Channel.TEXT, Channel.CALL)


@dataclass(frozen=True, slots=True)
class NamedPhone:
    """A person as typed. `ways` are "text", "call", "email", the best first; without them we choose."""

    name: str
    phone: str | None = None
    email: str | None = None
    language: str | None = None
    ways: tuple[str, ...] = ()


def usual_contact(kept: Mapping[str, Any]) -> NamedPhone:
    """A contact as the club keeps them for a diver: `name`, `phone`, and where known `email`, `language`, `ways`."""
    return NamedPhone(
        kept["name"], kept["phone"], kept.get("email"), kept.get("language"), tuple(kept.get("ways") or ())
    )


def club_language(club: ClubRow) -> str:
    """The language of a club's messages (ISO 639-1) where a person has none of their own."""
    chosen = str(club.settings.get("language", ENGLISH))
    return chosen if is_language(chosen) else ENGLISH


def read_language(typed: str | None, usual: str) -> str:
    """The language of a person. Raises ValueError with what to choose from."""
    code = (typed or "").strip().lower() or usual
    if not is_language(code):
        raise ValueError(f"Messages can be in {', '.join(LANGUAGES)}: choose one of these.")
    return code


def read_persons_phone(typed: str, club: ClubRow, ours: Collection[str]) -> str:
    """The phone of somebody, in E.164. Raises PhoneError with what to do.

    `ours` are the numbers on which texts to clubs come in: whatever we sent there would come back to ourselves, and
    nobody would ever hear of it.
    """
    phone = read_phone(typed, club.country)
    if phone == club.receiving_number:
        raise PhoneError("This is the club's own number for texts. Give the person's own phone.")
    if phone in ours:
        raise PhoneError("This is a club's number for texts, not a person's. Give the person's own phone.")
    return phone


def read_contacts(
    given: Sequence[NamedPhone], club: ClubRow, channels: frozenset[Channel], ours: Collection[str]
) -> tuple[tuple[Contact, ...] | None, list[Check]]:
    """The contacts, or None where one is refused; with all that is to be said about them.

    `channels` are the ways that the service has; what it has not is left out of a contact's ways. `ours` are the
    numbers on which texts to clubs come in.
    """
    people: list[Contact] = []
    checks: list[Check] = []
    for person in given:
        try:
            contact, advice = _read(person, club, channels, ours)
        except ValueError as error:
            checks.append(Check(Level.REFUSE, "contacts", f"{person.name.strip() or 'A contact'}: {error}"))
            continue
        people.append(contact)
        checks += [Check(Level.ADVISE, "contacts", words) for words in advice]
    return (tuple(people) if len(people) == len(given) else None), checks


def _read(
    person: NamedPhone, club: ClubRow, channels: frozenset[Channel], ours: Collection[str]
) -> tuple[Contact, list[str]]:
    name = one_line(person.name)
    phone = read_persons_phone(person.phone or "", club, ours)
    email = read_email(person.email)
    language = read_language(person.language, club_language(club))
    wanted = read_ways(person.ways, email) or _usual_ways(phone, email, channels)
    usable = tuple(way for way in wanted if way is Channel.TEXT or way in channels)
    if not any(way in DIRECT for way in usable):
        raise ValueError(_what_to_do(wanted))
    return Contact(name, phone, language, email, usable), _advice(name, phone, wanted, usable)


def read_email(typed: str | None) -> str | None:
    """The address as it goes into an envelope, None for nothing typed. Raises ValueError with what to do.

    By syntax alone, since a look-up that fails proves nothing.
    """
    if not typed or not typed.strip():
        return None
    try:
        found = validate_email(typed.strip(), check_deliverability=False, allow_smtputf8=False)
    except EmailNotValidError:
        raise ValueError("This is no e-mail address. Check it, or leave it empty.") from None
    return found.ascii_email


def read_ways(typed: Sequence[str], email: str | None) -> tuple[Channel, ...]:
    """The ways to somebody, the best first; none typed is none. Raises ValueError with what to do."""
    words = [way.strip().lower() for way in typed]
    unknown = next((way for way in words if way not in list(Channel)), None)
    if unknown is not None:
        raise ValueError(f'"{unknown[:20]}" is no way to reach somebody: the ways are text, call and email.')
    ways = tuple(dict.fromkeys(Channel(way) for way in words))
    if Channel.EMAIL in ways and email is None:
        raise ValueError("Give an e-mail address, or leave e-mail out of the ways.")
    return ways


def _usual_ways(phone: str, email: str | None, channels: frozenset[Channel]) -> tuple[Channel, ...]:
    """Text first, then call, then e-mail; a landline is called, where the service can."""
    mail = (Channel.EMAIL,) if email is not None else ()
    if Channel.CALL not in channels:
        return (Channel.TEXT, *mail)
    return (Channel.CALL, *mail) if probably_landline(phone) else (*DIRECT, *mail)


def _what_to_do(wanted: Sequence[Channel]) -> str:
    if Channel.CALL in wanted:
        return "This service makes no voice calls. Choose text, with a mobile number."
    return "An e-mail alone may be read too late. Choose text or call too."


def _advice(name: str, phone: str, wanted: Sequence[Channel], usable: Sequence[Channel]) -> list[str]:
    found = []
    if probably_landline(phone) and Channel.CALL not in usable:
        found.append(f"{name} has a landline, which may take no texts. Give a mobile number if there is one.")
    if Channel.CALL in wanted and Channel.CALL not in usable:
        found.append(f"This service makes no voice calls, so {name} is told by text.")
    if Channel.EMAIL in wanted and Channel.EMAIL not in usable:
        found.append(f"This service sends no e-mails, so {name} gets none.")
    return found
