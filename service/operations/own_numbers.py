"""The numbers that gateways send from: whoever answers a text of ours answers to one of them, and is to be heard.

A club has one receiving number, which its pages and signs print; a second gateway has another SIM or another account.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sqlalchemy.orm import Session

from service.domain.phone import PhoneError, read_phone
from service.operations.gateway import OwnNumber
from service.store import clubs


class Receiving(NamedTuple):
    """A club, as far as it matters for what is texted to it: its receiving number (E.164) and its country."""

    number: str
    country: str


def receiving(session: Session) -> list[Receiving]:
    """All clubs."""
    return [Receiving(club.receiving_number, club.country) for club in clubs.listing(session)]


def texted_to(session: Session, own: Iterable[OwnNumber]) -> frozenset[str]:
    """The numbers on which texts come in, which are nobody's phone (E.164): the clubs', and what gateways send from."""
    known = receiving(session)
    countries = {club.country for club in known}
    return frozenset(
        [*(club.number for club in known), *(phone_heard(one.number, country) for one in own for country in countries)]
    )


def number_heard(receiver: str, known: Sequence[Receiving], own: Iterable[OwnNumber]) -> str | None:
    """The receiving number of the club that a text to `receiver` is for; None where no club is or several could be.

    Gateways write numbers in their own ways: with the country code, without its sign, as they are dialled at home.
    """
    clubs_own = {club.number for club in known if _is_same(receiver, club.number, club.country)}
    if clubs_own:
        return clubs_own.pop() if len(clubs_own) == 1 else None
    countries = {club.country for club in known}
    sent_from = [one for one in own if any(_is_same(receiver, one.number, country) for country in countries)]
    served = {number for one in sent_from if (number := _served(one, known)) is not None}
    return served.pop() if len(served) == 1 else None


def phone_heard(sender: str, country: str | None) -> str:
    """A sender's number as E.164; what is none as it is."""
    try:
        return read_phone(sender, country)
    except PhoneError:
        return sender


def fault_of(one: OwnNumber, known: Sequence[Receiving], own: Iterable[OwnNumber]) -> str | None:
    """Why an answer to this number would not be heard, or not by whom the settings say; None where all is well."""
    heard = number_heard(one.number, known, own)
    if heard is None:
        return (
            f"no club hears what is texted to {one.number}: give gateway {one.gateway} the receiving_number of its club"
        )
    if one.receiving_number not in (None, heard):
        return (
            f"gateway {one.gateway} has receiving_number {one.receiving_number}, but what is texted to {one.number}"
            f" is heard as to {heard}"
        )
    return None


def _served(one: OwnNumber, known: Sequence[Receiving]) -> str | None:
    """The club of a number that is no club's own: the one that the settings name, or the only one there is."""
    numbers = [club.number for club in known]
    if one.receiving_number in numbers:
        return one.receiving_number
    return numbers[0] if len(numbers) == 1 else None


def _is_same(written: str, number: str, country: str) -> bool:
    return number in (written, phone_heard(written, country))
