"""One message from its cause to its receipts, and the messages of a club with the failed ones first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from sqlalchemy.orm import Session

from service.operations.service import Service
from service.store import club_messages, log, log_search, outbox
from service.store.club_messages import Listed
from service.store.log import Entry
from service.store.log_search import Named
from service.store.outbox import Attempt, Message
from service.store.receipts import Receipt

SHOWN_MAX = 100


class Standing(StrEnum):
    """How a message stands, in the order in which an admin has to look."""

    FAILED = "failed"  # given up: nobody got it by this way
    UNKNOWN = "unknown"  # it may have got through, nobody can say
    WAITING = "waiting"  # on its way, or waiting for its turn
    HANDED = "handed"  # a gateway took it; no receipt of the phone
    DELIVERED = "delivered"
    EXPIRED = "expired"  # too late to be of use, or its dive had moved on


_STANDING_BY_STATE: Mapping[str, Standing] = MappingProxyType(
    {
        outbox.FAILED: Standing.FAILED,
        outbox.HANDED: Standing.HANDED,
        outbox.DELIVERED: Standing.DELIVERED,
        outbox.EXPIRED: Standing.EXPIRED,
    }
)


@dataclass(frozen=True, slots=True)
class Line:
    """One message in the list; `reference` is its dive's."""

    standing: Standing
    message: Message
    reference: str | None
    gateway: str | None
    why: str | None


@dataclass(frozen=True, slots=True)
class Life:
    """All that is known of one message. `cause` is the log entry that made it, `log` what the log has of it since."""

    line: Line
    cause: Entry | None
    attempts: tuple[Attempt, ...]
    receipts: tuple[Receipt, ...]
    log: tuple[Entry, ...]
    times: int  # how often an admin has had it sent again


@dataclass(frozen=True, slots=True)
class OfDive:
    """A dive by which messages are listed; `filed_at` is None where it cannot be read."""

    id: str
    reference: str
    site_name: str
    filed_at: datetime | None


@dataclass(frozen=True, slots=True)
class Listing:
    """Messages: those of one dive where that is set. `others` had the same reference before it, or have it since."""

    lines: tuple[Line, ...]
    of: OfDive | None = None
    others: tuple[OfDive, ...] = ()


def listed(service: Service, club_id: str, only: Standing | None) -> Listing:
    """The latest messages, or those that stand so: failed first, then unknown, waiting, the rest; the latest first."""
    return service.read(lambda session: Listing(_lines(session, club_id, only, None)))


def listed_of(service: Service, club_id: str, only: Standing | None, dive: str) -> Listing:
    """The same of one dive, by its id, or by its reference: then the one that was filed last.

    References come again: an old alarm must not be taken for one of the dive that has it now.
    """

    def look(session: Session) -> Listing:
        known = log_search.named(session, club_id, [dive])
        alike = log_search.dives_with(session, club_id, known[dive].reference if known else dive)
        names = known | log_search.named(session, club_id, alike)
        dives = {one: _of_dive(one, names[one]) for one in (*known, *alike) if one in names}
        if not dives:
            return Listing(())
        of = dives.pop(dive) if known else dives.pop(alike[0])
        return Listing(_lines(session, club_id, only, of.id), of, tuple(dives.values()))

    return service.read(look)


def _of_dive(dive_id: str, named: Named) -> OfDive:
    return OfDive(dive_id, named.reference, named.site_name, None if named.dive is None else named.dive.filed_at)


def _lines(session: Session, club_id: str, only: Standing | None, dive_id: str | None) -> tuple[Line, ...]:
    ranks = list(Standing)
    states = [state for state, standing in _STANDING_BY_STATE.items() if standing is only]
    last_unknown = None
    if only in (Standing.UNKNOWN, Standing.WAITING):
        states, last_unknown = [outbox.QUEUED, outbox.LEASED], only is Standing.UNKNOWN
    found = club_messages.latest(session, club_id, dive_id, SHOWN_MAX, states=states, last_unknown=last_unknown)
    lines = [_line(one) for one in found]
    return tuple(sorted(lines, key=lambda line: ranks.index(line.standing)))  # stable: the latest stay first


def life_of(service: Service, club_id: str, message_id: str) -> Life | None:
    """One message of this club; None where there is none, or it is another club's."""

    def look(session: Session) -> Life | None:
        found = club_messages.one(session, club_id, message_id)
        if found is None:
            return None
        message = found.message
        chain = log.chain_of(message.dive_id, club_id)
        cause = log.entry(session, chain, message.cause_seq) if message.cause_seq is not None else None
        told = (entry for entry in log.mentioning(session, chain, message.id) if _is_about(entry, message.id))
        return Life(
            line=_line(found),
            cause=cause,
            attempts=tuple(outbox.attempts_of(session, message.id)),
            receipts=tuple(club_messages.receipts_of(session, message.id)),
            log=tuple(told),
            times=club_messages.times_sent_again(session, message),
        )

    return service.read(look)


def _is_about(entry: Entry, message_id: str) -> bool:
    detail = entry.detail or {}
    return message_id in (detail.get("message"), detail.get("again"))


def _line(found: Listed) -> Line:
    message = found.message
    return Line(
        standing=_standing(message, found.last_outcome),
        message=message,
        reference=found.reference,
        gateway=message.handed_gateway or found.last_gateway,
        why=message.failed_reason or found.last_detail,
    )


def _standing(message: Message, last_outcome: str | None) -> Standing:
    if message.state in _STANDING_BY_STATE:
        return _STANDING_BY_STATE[message.state]
    return Standing.UNKNOWN if last_outcome == club_messages.UNKNOWN else Standing.WAITING


def stands_since(message: Message) -> datetime:
    """When it came to stand as it does, as far as is known."""
    return message.delivered_at or message.ended_at or message.handed_at or message.queued_at
