"""Migrations: up, down, up again, and the tables as the code declares them."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, inspect, text

from service.domain.place.conditions import Current
from service.store import schema, sites
from service.store.engine import open_engine, writing
from service.store.sites import NewPoint
from service.store.tables import Base
from tests.store.examples import CLUB, add_club

GUARDS = {
    "sqlite": {
        "log_checkpoints_no_delete",
        "log_checkpoints_no_update",
        "log_entries_erasure_only",
        "log_entries_no_delete",
    },
    "postgresql": {
        "log_checkpoints_append_only",
        "log_checkpoints_no_truncate",
        "log_entries_append_only",
        "log_entries_erasure_only",
        "log_entries_no_truncate",
    },
}
TRIGGERS = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal",
}
WHERE = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'index' AND sql LIKE '%WHERE%'",
    "postgresql": "SELECT indexname FROM pg_indexes WHERE indexdef LIKE '% WHERE %'",
}


def found(engine: Engine, queries: dict[str, str]) -> set[str]:
    """The names that the query of this database finds."""
    with engine.connect() as connection:
        return set(connection.execute(text(queries[engine.dialect.name])).scalars())


def test_an_empty_database_has_no_revision_and_is_not_current(empty_engine: Engine) -> None:
    """Before the first migration a process can tell that the schema is missing."""
    assert schema.current(empty_engine) is None
    assert not schema.is_current(empty_engine)


# SQLite does not tell of what an index of expressions is; PostgreSQL does, and there it is compared.
@pytest.mark.filterwarnings(
    "ignore:Skipped unsupported reflection of expression-based index",
    "ignore:autogenerate skipping metadata-specified expression-based index",
)
def test_migrating_makes_exactly_the_declared_tables(empty_engine: Engine) -> None:
    """What the migrations make and what the code declares are the same, so that neither can drift."""
    schema.migrate(empty_engine)

    assert schema.is_current(empty_engine)
    with empty_engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_partial_indexes_are_partial_in_the_database(empty_engine: Engine) -> None:
    """The comparison of schemas does not look at conditions of indexes, so this does."""
    schema.migrate(empty_engine)

    assert found(empty_engine, WHERE) == {
        "ix_dives_next_due_at",
        "ix_messages_beside_dives",
        "ix_dives_to_erase",
        "ix_inbound_texts_to_erase",
        "ix_messages_expiring",
        "ix_messages_in_turn",
        "ix_receipts_strays",
        "ix_drills_open",
        "uq_drills_open",
        "ix_messages_unconfirmed",
        "uq_dive_codes_live",
        "uq_messages_without_dive",
    }


def test_migrating_guards_the_log(empty_engine: Engine) -> None:
    """The triggers are there, on both databases."""
    schema.migrate(empty_engine)

    assert found(empty_engine, TRIGGERS) == GUARDS[empty_engine.dialect.name]


def test_migrating_twice_changes_nothing(empty_engine: Engine) -> None:
    """Every start may migrate."""
    schema.migrate(empty_engine)
    schema.migrate(empty_engine)

    assert schema.current(empty_engine) == schema.head()


def test_migrations_can_be_taken_back_step_by_step_and_made_again(empty_engine: Engine) -> None:
    """Every step has a way back that leaves nothing of it."""
    schema.migrate(empty_engine)
    for _ in range(int(schema.head())):
        schema.take_back(empty_engine, "-1")

    assert schema.current(empty_engine) is None
    assert inspect(empty_engine).get_table_names() == ["alembic_version"]
    assert found(empty_engine, TRIGGERS) == set()

    schema.migrate(empty_engine)
    assert schema.is_current(empty_engine)


def test_a_site_survives_the_way_back_and_forth(empty_engine: Engine) -> None:
    """What the version before cannot read goes, and a point that it adds is one without vehicle access."""
    schema.migrate(empty_engine)
    with writing(empty_engine) as session:
        add_club(session)
        points = (NewPoint("exit", "Steps", 47.1, -20.5, ease=2), NewPoint("signal", "Gate", 47.1, -20.5))
        site = {"club_id": CLUB, "code": "SLIP", "name": "Slip", "zone": "UTC", "lat": 47.1, "lon": -20.5}
        sites.add(session, **site, rescue_call="112", current=Current(70, 0.5), points=points)  # type: ignore[arg-type]

    schema.take_back(empty_engine, "0003")
    with empty_engine.begin() as connection:
        assert connection.execute(text("SELECT kind FROM site_points")).scalars().all() == ["exit"]
        connection.execute(text("INSERT INTO site_points (site_id, kind, name) SELECT id, 'hazard', 'Reef' FROM sites"))
    schema.migrate(empty_engine)

    with writing(empty_engine) as session:
        row = sites.find(session, CLUB, "SLIP")
        assert row is not None
        kept = sites.club_site(session, row)
    assert [(point.name, point.ease, point.vehicles) for point in kept.points] == [
        ("Steps", None, False),
        ("Reef", None, False),
    ]
    assert kept.current is None


def test_a_migration_waits_for_a_backup_and_then_says_who_is_in_its_way(postgres_engine: Engine) -> None:
    """It changes nothing, holds nobody up for long, and does its work once the backup has ended."""
    before = "0019"
    schema.take_back(postgres_engine, before)
    with postgres_engine.connect() as backup:
        backup.execute(text("SET application_name = 'pg_dump'"))
        backup.execute(text("SET idle_in_transaction_session_timeout = 0"))
        backup.execute(text("LOCK TABLE messages, dives IN ACCESS SHARE MODE"))
        time.sleep(1.1)

        with pytest.raises(schema.HeldError, match=r"\(pg_dump\).*nothing was changed"):
            schema.migrate(postgres_engine, waits_s=0.5)
        assert schema.current(postgres_engine) == before

        with ThreadPoolExecutor(max_workers=1) as pool:
            migrating = pool.submit(schema.migrate, postgres_engine)
            with postgres_engine.connect() as reader:
                reader.execute(text("SET statement_timeout = '5s'"))
                reader.execute(text("SELECT count(*) FROM messages"))
            assert not migrating.done()
            backup.rollback()
            migrating.result(30)
    assert schema.is_current(postgres_engine)


def test_a_migration_says_that_an_embedded_database_is_in_use(migrated_sqlite_url: str) -> None:
    """A process that was not stopped writes to it."""
    sqlite_engine = open_engine(migrated_sqlite_url)
    schema.take_back(sqlite_engine, "0019")
    with sqlite_engine.connect() as other:
        other.execute(text("PRAGMA user_version = 0"))
        with pytest.raises(schema.HeldError, match="others hold tables of the database, perhaps a backup"):
            schema.migrate(sqlite_engine, waits_s=0.0)

    assert schema.current(sqlite_engine) == "0019"
    schema.migrate(sqlite_engine)
    assert schema.is_current(sqlite_engine)
