"""What is asked all the time finds its rows by an index, however much has been done with for good."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sqlalchemy import Engine, event, insert, select, text, update
from sqlalchemy.orm import Session

from service.store import due, inbound, leases, outbox, snapshots
from service.store.engine import writing
from service.store.tables import AttemptRow, DiveRow, InboundTextRow, MessageRow
from service.store.upsert import table
from tests.store.examples import CLEO, CLUB, NOW, NUMBER, add_dive, minutes

DONE_WITH = 3_000
WHOLE = {
    "sqlite": ("SCAN messages", "SCAN inbound_texts", "SCAN dives"),
    "postgresql": ("Seq Scan on messages", "Seq Scan on inbound_texts", "Seq Scan on dives"),
}
WHAT_WAITS = "SCAN messages USING INDEX ix_messages_in_turn"  # in which nothing else stands


@pytest.fixture
def crowded(engine: Engine) -> Engine:
    """A database with thousands of dives, alarms and texts that nobody has to do anything about."""
    names = [f"m{number}" for number in range(DONE_WITH)]
    message = {"club_id": CLUB, "dive_id": "d1", "person_key": "contact-0", "name": "Cleo", "phone": CLEO}
    message |= {"channel": "text", "kind": "alert", "priority": 1, "rank": 0, "body": "words", "segments": 1}
    message |= {"queued_at": NOW, "due_at": NOW, "not_before_at": NOW, "attempts": 1, "in_flight": False}
    message |= {"state": "handed", "handed_at": NOW, "handed_gateway": "north", "receipt_checked": True}
    attempt = {"gateway": "north", "carried_by": "courier-1", "started_at": NOW, "outcome": "accepted"}
    words = {"gateway": "north", "sender": CLEO, "receiver": NUMBER, "body": "hello", "raw": {}, "authentic": True}
    words |= {"state": "answered", "tries": 0}
    with writing(engine) as session:
        add_dive(session)
        [dive] = session.execute(select(table(DiveRow))).mappings()
        over = {"phase": "closed", "closed_at": NOW, "next_due_at": None}
        session.execute(insert(table(DiveRow)), [{**dive, **over, "id": f"over-{one}"} for one in names])
        session.execute(
            insert(table(MessageRow)), [message | {"id": one, "step": one, "provider_id": f"S{one}"} for one in names]
        )
        session.execute(
            insert(table(AttemptRow)), [attempt | {"message_id": one, "provider_id": f"S{one}"} for one in names]
        )
        session.execute(
            insert(table(InboundTextRow)),
            [words | {"provider_id": one, "received_at": NOW - minutes(place)} for place, one in enumerate(names)],
        )
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("ANALYZE")
    return engine


def glance(session: Session) -> None:
    """What a sweep asks every second."""
    session.execute(due._glance(session.get_bind().dialect.name))


def anything_waits(session: Session) -> None:
    """What a courier asks at every nudge, and every second."""
    session.execute(leases._anything("urgent"), {"now": NOW})
    session.execute(leases._anything("all"), {"now": NOW})


def waiting_alarms(session: Session) -> None:
    """What a keeper asks for its snapshot."""
    snapshots.waiting_alarms(session)


def versions(session: Session) -> None:
    """What a keeper asks for its snapshot: a club has thousands of dives that have been over for long."""
    assert list(snapshots.versions(session, closed_since=NOW)) == ["d1"]


def oldest_urgent(session: Session) -> None:
    """What a keeper asks at every look."""
    outbox.oldest_urgent(session, NOW)


def urgent_goes(session: Session) -> None:
    """What a courier asks before all that is calm."""
    leases.urgent_goes(session, NOW, NOW)


def whose_receipt(session: Session) -> None:
    """What is asked at every receipt."""
    found = outbox.by_provider(session, "north", "Sm7")
    assert found is not None
    assert found.id == "m7"


def same_text(session: Session) -> None:
    """What is asked at every text that comes in."""
    inbound.by_others(session, gateway="south", receiver=NUMBER, words="hello", since=NOW - minutes(2), until=NOW)


@pytest.mark.parametrize(
    "asked",
    [glance, anything_waits, oldest_urgent, versions, waiting_alarms, urgent_goes, whose_receipt, same_text],
    ids=lambda asked: asked.__name__,
)
def test_what_is_asked_all_the_time_reads_no_table_as_a_whole(
    crowded: Engine, asked: Callable[[Session], None]
) -> None:
    """An alarm must not become slower with every season that is over."""
    plans = "\n".join(plans_of(crowded, asked)).replace(WHAT_WAITS, "")

    assert not [whole for whole in WHOLE[crowded.dialect.name] if whole in plans], plans
    if asked is glance:
        assert "ix_messages_unconfirmed" in plans


def plans_of(engine: Engine, asked: Callable[[Session], None]) -> list[str]:
    """How the database goes about each statement that it is asked."""
    explain = {"sqlite": "EXPLAIN QUERY PLAN ", "postgresql": "EXPLAIN "}[engine.dialect.name]
    plans: list[str] = []

    def note(_: object, cursor: object, statement: str, values: object, *__: object) -> None:
        if statement.startswith("SELECT"):
            also = cursor.connection.cursor()  # type: ignore[attr-defined]
            also.execute(explain + statement, values)
            plans.extend(str(row[-1]) for row in also.fetchall())

    event.listen(engine, "before_cursor_execute", note)
    try:
        with writing(engine) as session:
            asked(session)
    finally:
        event.remove(engine, "before_cursor_execute", note)
    assert plans
    return plans


@pytest.mark.postgres
@pytest.mark.parametrize("engine", ["postgresql"], indirect=True)
def test_in_a_storm_a_courier_takes_the_next_by_the_index_of_their_turns(crowded: Engine) -> None:
    """By the statistics of a day on which nothing waits it may as well sort the whole storm at every claim."""
    with writing(crowded) as session:
        session.execute(update(table(MessageRow)).values(state="queued"))

    def claim(session: Session) -> None:
        assert len(leases.waiting(session, NOW, 50, crowded=True)) == 50
        assert session.execute(text("SHOW enable_sort")).scalar_one() == "off"

    plans = "\n".join(plans_of(crowded, claim))

    assert "ix_messages_in_turn" in plans
    assert "Sort" not in plans
