"""The record: every table read once by plain SQL, the gateways' journal, and what was when; shared by all questions.

Nothing here imports the service. Its schema is all that is shared: names of tables and columns, an instant as whole
microseconds since 1970 on SQLite and as timestamptz on PostgreSQL, and JSON as text where the schema keeps text.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from typing import Any, NamedTuple, Protocol, TypeVar

from sqlalchemy import Connection, Engine

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
EVENT = "event:"
OPEN = ("queued", "leased")


class TakenText(Protocol):
    """What a gateway's journal says of one text that it took."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str


class Club(NamedTuple):
    """A row of `clubs`."""

    id: str
    receiving_number: str


class Admin(NamedTuple):
    """A row of `admins`."""

    id: str
    club_id: str
    phone: str | None
    created_at: datetime
    disabled_at: datetime | None


class Dive(NamedTuple):
    """A row of `dives`."""

    id: str
    club_id: str
    club_name: str
    site_name: str
    zone: str
    rescue_call: str
    receiving_number: str
    reference: str
    phase: str
    outcome: str | None
    filed_at: datetime
    started_at: datetime | None
    due_out_at: datetime | None
    raise_by_at: datetime | None
    next_due_at: datetime | None
    closed_at: datetime | None
    version: int
    state: str
    head_count: int
    lead_name: str
    drill: bool


class Phone(NamedTuple):
    """A row of `dive_phones`."""

    dive_id: str
    key: str
    role: str
    name: str
    receiving_number: str
    phone: str
    closed_at: datetime | None


class Code(NamedTuple):
    """A row of `dive_codes`."""

    dive_id: str
    kind: str
    code: str
    live: bool


class Link(NamedTuple):
    """A row of `links`."""

    token_hash: str
    dive_id: str
    club_id: str
    person_key: str
    kind: str


class Message(NamedTuple):
    """A row of `messages`."""

    id: str
    club_id: str
    dive_id: str | None
    person_key: str
    phone: str
    email: str | None
    channel: str
    language: str
    kind: str
    priority: int
    step: str
    body: str
    state: str
    cause_seq: int | None
    queued_at: datetime
    due_at: datetime
    not_before_at: datetime
    expires_at: datetime | None
    lease_owner: str | None
    lease_until_at: datetime | None
    in_flight: bool
    attempts: int
    handed_at: datetime | None
    handed_gateway: str | None
    provider_id: str | None
    delivered_at: datetime | None
    ended_at: datetime | None
    failed_reason: str | None
    receipt_within_s: float
    receipt_checked: bool  # by the sweep that waited for it, or because none comes


class Attempt(NamedTuple):
    """A row of `attempts`."""

    id: int
    message_id: str
    gateway: str
    carried_by: str
    started_at: datetime
    ended_at: datetime | None
    outcome: str | None
    detail: str | None
    provider_id: str | None


class Receipt(NamedTuple):
    """A row of `receipts`."""

    id: int
    gateway: str
    provider_id: str
    state: str
    received_at: datetime
    message_id: str | None


class Text(NamedTuple):
    """A row of `inbound_texts`."""

    id: int
    gateway: str
    provider_id: str
    sender: str
    receiver: str
    body: str
    received_at: datetime
    authentic: bool
    state: str
    tries: int
    answered_at: datetime | None
    dive_id: str | None
    intent: str | None
    note: str | None
    same_as: int | None


class Part(NamedTuple):
    """A row of `inbound_parts`."""

    id: int
    received_at: datetime
    inbound_id: int | None


class Canary(NamedTuple):
    """A row of `gateway_canaries`."""

    id: int
    gateway: str


class Asked(NamedTuple):
    """A row of `reaches`: when a club first asked a phone to be a contact."""

    club_id: str
    phone: str
    asked_at: datetime | None


class Joining(NamedTuple):
    """A row of `joins`: to which phone a code was sent."""

    club_id: str
    token_hash: str
    sent_to: str | None


class Person(NamedTuple):
    """A row of `people`: whom a club knows."""

    club_id: str
    phone: str


class Heartbeat(NamedTuple):
    """A row of `heartbeats`."""

    name: str
    at: datetime


class Head(NamedTuple):
    """A row of `chain_heads`."""

    chain: str
    seq: int
    hash: str


class Checkpoint(NamedTuple):
    """A row of `log_checkpoints`."""

    id: int
    at: datetime
    heads: str
    prev_hash: str
    hash: str


@dataclass
class Entry:
    """A row of `log_entries`, in the order in which they were written."""

    chain: str
    seq: int
    dive_id: str | None
    club_id: str | None
    at: datetime
    kind: str
    actor: str | None
    actor_hash: str
    detail: str | None
    detail_hash: str
    salt: str | None
    prev_hash: str
    hash: str

    @cached_property
    def by(self) -> dict[str, Any]:
        """Who did it; empty once erased."""
        return _read_once(self.actor) if self.actor else {}

    @cached_property
    def says(self) -> dict[str, Any]:
        """The detail; empty once erased."""
        return _read_once(self.detail) if self.detail else {}

    @cached_property
    def event(self) -> str:
        """The name of the event, or nothing."""
        return self.kind[len(EVENT) :] if self.kind.startswith(EVENT) else ""


@lru_cache(maxsize=4_096)
def _read_once(words: str) -> dict[str, Any]:
    """What an entry says, which nobody changes: a day is asked about several times, and most of it is the same."""
    found: dict[str, Any] = json.loads(words)
    return found


_ENTRY = tuple(Entry.__dataclass_fields__)
Row = TypeVar("Row", bound=NamedTuple)


def instant(value: Any) -> datetime | None:
    """An instant as a table keeps it."""
    if value is None:
        return None
    return EPOCH + timedelta(microseconds=value) if isinstance(value, int) else value.astimezone(UTC)


def instant_of(words: str | None) -> datetime | None:
    """An instant as the log's JSON has it: RFC 3339 in UTC."""
    return None if words is None else datetime.fromisoformat(words)


def _rows(connection: Connection, table: str, columns: Sequence[str], order: str) -> Iterator[list[Any]]:
    named = ", ".join(f"{table}.{column}" for column in columns)
    times = [place for place, column in enumerate(columns) if column == "at" or column.endswith("_at")]
    for row in connection.exec_driver_sql(f"SELECT {named} FROM {table} ORDER BY {order}").all():
        values = list(row)
        for place in times:
            values[place] = instant(values[place])
        yield values


def _read(connection: Connection, kind: type[Row], table: str, order: str = "id") -> list[Row]:
    return [kind._make(values) for values in _rows(connection, table, kind._fields, order)]


class Record:
    """Everything there is. `now`: the instant that the questions are asked at."""

    def __init__(self, connection: Connection, journal: Sequence[TakenText], now: datetime) -> None:
        self.now = now
        self.commits_within = timedelta(0)  # after the stamp of a decision
        self.behind_gateways = timedelta(0)  # our clocks, at most
        self.journal = list(journal)
        self.clubs = _read(connection, Club, "clubs")
        self.admins = _read(connection, Admin, "admins")
        self.dives = {dive.id: dive for dive in _read(connection, Dive, "dives", "filed_at, id")}
        self.phones = _read(connection, Phone, "dive_phones", "dive_id, key")
        self.codes = _read(connection, Code, "dive_codes", "dive_id, kind")
        self.links = {link.token_hash: link for link in _read(connection, Link, "links", "token_hash")}
        self.messages = {row.id: row for row in _read(connection, Message, "messages", "queued_at, id")}
        self.attempts = _read(connection, Attempt, "attempts")
        self.receipts = _read(connection, Receipt, "receipts")
        self.texts = {text.id: text for text in _read(connection, Text, "inbound_texts")}
        self.parts = _read(connection, Part, "inbound_parts")
        self.canaries = _read(connection, Canary, "gateway_canaries")
        self.people = set(_read(connection, Person, "people", "club_id, phone"))
        self.asked = _read(connection, Asked, "reaches", "club_id, phone")
        self.joining = _read(connection, Joining, "joins", "token_hash")
        self.heartbeats = _read(connection, Heartbeat, "heartbeats", "name")
        self.heads = _read(connection, Head, "chain_heads", "chain")
        self.checkpoints = _read(connection, Checkpoint, "log_checkpoints")
        self.entries = [Entry(*values) for values in _rows(connection, "log_entries", _ENTRY, "id")]

    # Indexes

    @cached_property
    def by_chain(self) -> dict[str, list[Entry]]:
        """The entries of each chain."""
        return grouped(self.entries, lambda entry: entry.chain)

    @cached_property
    def messages_by_dive(self) -> dict[str | None, list[Message]]:
        """The messages of each dive."""
        return grouped(self.messages.values(), lambda message: message.dive_id)

    @cached_property
    def messages_by_cause(self) -> dict[tuple[str | None, int | None], list[Message]]:
        """The messages of each entry of a dive."""
        return grouped(self.messages.values(), lambda message: (message.dive_id, message.cause_seq))

    @cached_property
    def phones_by_dive(self) -> dict[str, list[Phone]]:
        """The phones of each dive."""
        return grouped(self.phones, lambda phone: phone.dive_id)

    @cached_property
    def codes_by_dive(self) -> dict[str, dict[str, Code]]:
        """The codes of each dive by their kind."""
        found: dict[str, dict[str, Code]] = {}
        for code in self.codes:
            found.setdefault(code.dive_id, {})[code.kind] = code
        return found

    @cached_property
    def attempts_by_message(self) -> dict[str, list[Attempt]]:
        """The attempts at each message, first to last."""
        return grouped(self.attempts, lambda attempt: attempt.message_id)

    @cached_property
    def took(self) -> dict[str, list[TakenText]]:
        """What gateways took, by message."""
        return grouped(self.journal, lambda taken: taken.reference)

    @cached_property
    def entries_by_kind(self) -> dict[str, list[Entry]]:
        """The entries of each kind."""
        return grouped(self.entries, lambda entry: entry.kind)

    def of_dive(self, dive: Dive) -> list[Entry]:
        """All entries of a dive."""
        return self.by_chain.get(f"dive:{dive.id}", [])

    def attempts_at(self, message: Message) -> list[Attempt]:
        """The attempts at a message, first to last."""
        return self.attempts_by_message.get(message.id, [])

    def messages_of(self, dive: Dive) -> list[Message]:
        """The messages of a dive."""
        return self.messages_by_dive.get(dive.id, [])

    def deaf(self, dive: Dive) -> set[str]:
        """The people of a dive of whom the log says that nothing may go to them."""
        return self.deaf_by_dive.get(dive.id, set())

    @cached_property
    def deaf_by_dive(self) -> dict[str | None, set[str]]:
        """The same for each dive."""
        found: dict[str | None, set[str]] = {}
        for entry in (*self.entries_by_kind.get("messages", ()), *self.entries_by_kind.get("fault", ())):
            found.setdefault(entry.dive_id, set()).update(entry.says.get("opted_out", ()))
        return found

    # Time

    @cached_property
    def set_back(self) -> timedelta:
        """By how much the clock that wrote the log was ever behind where it had been: by so much times may disagree."""
        most, furthest = timedelta(0), EPOCH
        for entry in self.entries:
            furthest = max(furthest, entry.at)
            most = max(most, furthest - entry.at)
        return most

    @cached_property
    def swept_at(self) -> datetime:
        """When somebody last looked at what is due: what fell due after that, nobody can have done."""
        last = [beat.at for beat in self.heartbeats if beat.name == "sweep"]
        return min(self.now, *last) if last else EPOCH


def grouped(rows: Iterable[Any], key: Any) -> dict[Any, list[Any]]:
    """The rows by a key, in their order."""
    found: dict[Any, list[Any]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found


def read(engine: Engine, journal: Sequence[TakenText], now: datetime) -> Record:
    """The record as of one instant of the database."""
    one_instant = {"isolation_level": "REPEATABLE READ"} if engine.dialect.name == "postgresql" else {}
    with engine.connect().execution_options(**one_instant) as connection:
        record = Record(connection, journal, now)
        connection.commit()  # at a rollback the driver has PostgreSQL forget every statement that it has ready
    return record


@lru_cache(maxsize=4_096)
def digits(phone: str) -> str:
    """The end of a number, which is the same however it is written."""
    return "".join(filter(str.isdigit, phone))[-9:]
