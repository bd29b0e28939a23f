"""Who wants nothing from us, in an outage: as the snapshot has it, but for what was said since.

As with the database no word of it stops a clock: the number is not sent to, and the alarm goes on to all others.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.domain.texts import Kind, read
from service.operations.gateway import InboundText
from service.operations.outage_journal import Entry, Opted
from service.operations.own_numbers import phone_heard
from service.store.snapshots import ClubToTell, OpenDive


class OptOuts:
    """Of one outage; a club's number and a phone name who may be told."""

    def __init__(self, dives: Iterable[OpenDive], clubs: Iterable[ClubToTell]) -> None:
        self._out = {(dive.receiving_number, phone) for dive in dives for phone in dive.opted_out}
        self._out |= {(club.receiving_number, phone) for club in clubs for phone in club.opted_out}

    def take_up(self, before: Iterable[Entry]) -> None:
        """What a keeper before us heard."""
        for entry in before:
            if isinstance(entry, Opted):
                self._take(entry)

    def hear(self, text: InboundText, number: str, country: str | None) -> Opted | None:
        """What a text to a club's number says of it, for the journal; None where it says nothing."""
        kind = read(text.body).kind if text.part is None else None
        if kind not in (Kind.OPT_OUT, Kind.OPT_IN):
            return None
        said = Opted(number, phone_heard(text.sender, country), out=kind is Kind.OPT_OUT)
        self._take(said)
        return said

    def has(self, number: str, phone: str | None) -> bool:
        """Whether nothing from that number may go to that phone."""
        return (number, phone) in self._out

    def _take(self, said: Opted) -> None:
        way = said.number, said.phone
        self._out = self._out | {way} if said.out else self._out - {way}
