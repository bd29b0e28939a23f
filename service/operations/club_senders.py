"""Which gateways send from a number that is heard as a club's own: people answer the number that a text came from.

Clubs of one installation share its gateways. What a club sends goes by its own first, so that an answer finds its dive;
by those of the others where its own rest, fail or, in an alarm, are busy: a text from a number that is not the club's
is better than none.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.operations.gateway import OwnNumber
from service.operations.own_numbers import Receiving, number_heard
from service.store import clubs


@dataclass(frozen=True, slots=True)
class ClubSenders:
    """The names of the gateways of each club, by its id."""

    of: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def first(self, club_id: str, channel: Channel) -> Collection[str]:
        """Those by which a message of a club goes first. Nobody answers an e-mail to a number."""
        return () if channel is Channel.EMAIL else self.of.get(club_id, ())


NONE_KNOWN: Final = ClubSenders()


def club_senders(known: Mapping[str, Receiving], own: Sequence[OwnNumber]) -> ClubSenders:
    """As the settings have it, and the clubs by their ids. Pure."""
    heard = [(one.gateway, number_heard(one.number, [*known.values()], own)) for one in own]
    return ClubSenders(
        {
            club_id: frozenset(gateway for gateway, number in heard if number == club.number)
            for club_id, club in known.items()
        }
    )


def unsent(known: Iterable[Receiving], own: Sequence[OwnNumber]) -> list[str]:
    """The receiving numbers of the clubs for which no gateway has a number: all that they send comes from another's."""
    every = list(known)
    heard = {number_heard(one.number, every, own) for one in own}
    return [club.number for club in every if club.number not in heard]


class KnownSenders:
    """What a courier knows of them. Clubs are made, and never get another number: asked anew for one that is new."""

    def __init__(self, own: Sequence[OwnNumber]) -> None:
        self._own = own
        self._several = len({one.gateway for one in own}) > 1
        self._known = NONE_KNOWN

    def first(self, session: Session, club_id: str, channel: Channel) -> Collection[str]:
        """As `ClubSenders.first`; none where there is nothing to choose."""
        if not self._several:
            return ()
        if club_id not in self._known.of:
            rows = clubs.listing(session)
            known = {club.id: Receiving(club.receiving_number, club.country) for club in rows}
            self._known = club_senders(known, self._own)
        return self._known.first(club_id, channel)
