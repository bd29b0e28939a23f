"""Who calls for help in an outage, and no dive of the snapshot takes it up: they and the club's admins hear at once.

There may be a dive all the same, filed after the snapshot, or over for long, or one that nobody can read. With the
database its sender would be answered; and since nobody can look whose word it is, somebody has to phone them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.domain.people import Recipient
from service.domain.phone import PhoneError, read_phone
from service.domain.wording import Draft, MessageKind
from service.domain.wording.outage import help_for_admins, help_unheard
from service.operations.answers_to_strangers import HELP_MAX, WITHIN
from service.operations.gateway import InboundText
from service.operations.help_meanwhile import ADMINS_TOLD, ANSWERED, mark_of
from service.operations.outage_hearing import HELP, read_heard
from service.operations.outage_journal import Entry, Told
from service.operations.own_numbers import phone_heard
from service.store.snapshots import ClubToTell

SAME_WITHIN: Final = timedelta(minutes=2)  # as where two gateways bring one text
RESCUE: Final = "112"  # every phone of GSM and later takes it for an emergency call: 3GPP TS 22.101, 10.1.1
BEHIND_CONTACTS: Final = 100  # of whom there are never so many


@dataclass(frozen=True, slots=True)
class _Call:
    """One that was told: whose, by which words, and when."""

    who: str
    words: str
    at: datetime


class UnheardHelp:
    """Of one outage; what was told of it is remembered, so that two machines which answer each other come to an end."""

    def __init__(self) -> None:
        self._calls: set[_Call] = set()

    def take_up(self, before: Iterable[Entry]) -> None:
        """What a keeper before us told."""
        for told in [one for one in before if isinstance(one, Told)]:
            for begins in (ANSWERED, ADMINS_TOLD):
                _, found, cause = told.step.partition(begins)
                if found:
                    who, words, _ = cause.split("-")
                    self._calls.add(_Call(who, words, told.queued_at))

    def drafts(
        self, text: InboundText, club: ClubToTell, admins: Sequence[Recipient], language: str | None, now: datetime
    ) -> list[Draft]:
        """Whom to tell what; nobody where it calls for no help, or was told just now, or often enough within an hour.

        `language`: of the sender, where that is known.
        """
        if read_heard(text).kind not in HELP:
            return []
        sender = phone_heard(text.sender, club.country)
        call = _Call(mark_of(sender), mark_of(text.body), now)
        lately = [one for one in self._calls if one.who == call.who and now - one.at < WITHIN]
        if len(lately) >= HELP_MAX or any(one.words == call.words and now - one.at < SAME_WITHIN for one in lately):
            return []
        self._calls.add(call)
        rescue, cause = club.rescue_call.strip() or RESCUE, f"{call.who}-{call.words}-{len(self._calls)}"
        words = help_for_admins(club.name, rescue, sender, text.body, club.language)
        told = [
            Draft(one, MessageKind.ALERT, f"{ADMINS_TOLD}{cause}", words, now, rank=BEHIND_CONTACTS)
            for one in admins
            if one.phone != sender
        ]
        if not _can_be_answered(sender, club.country):
            return told
        them = Recipient(f"phone:{sender}", "", sender, language or club.language)
        answer = help_unheard(club.name, rescue, them.language)
        return [Draft(them, MessageKind.REPLY, f"{ANSWERED}{cause}", answer, now), *told]


def _can_be_answered(sender: str, country: str | None) -> bool:
    try:
        read_phone(sender, country)
    except PhoneError:
        return False
    return True
