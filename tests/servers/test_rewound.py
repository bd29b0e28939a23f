"""A database that is put back between tests shows nothing of the test before, whatever that did."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from sqlalchemy import text

from tests.servers.postgres import Postgres
from tests.servers.rewound import ROOM_AT_MOST, Rewound

pytestmark = pytest.mark.postgres

PREPARED = """
    CREATE TABLE clubs (id int GENERATED ALWAYS AS IDENTITY PRIMARY KEY, name text);
    CREATE TABLE notes (id int GENERATED ALWAYS AS IDENTITY PRIMARY KEY, club int REFERENCES clubs, words text);
    CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RAISE EXCEPTION ''append-only''; END';
    CREATE TRIGGER only_more BEFORE DELETE ON notes FOR EACH ROW EXECUTE FUNCTION refuse();
    INSERT INTO clubs (name) VALUES ('Skerry Bay'), ('Lantern Cove');
"""
AS_PREPARED = ([(1, "Skerry Bay"), (2, "Lantern Cove")], [], 3)


@pytest.fixture(scope="module")
def template(postgres_server: Postgres) -> str:
    """A small database whose notes cannot be deleted."""
    name = postgres_server.create_database()
    with psycopg.connect(plain(postgres_server.url(name))) as connection:
        connection.execute(PREPARED)
    return name


@pytest.fixture
def rewound(postgres_server: Postgres, template: str) -> Iterator[Rewound]:
    """A copy of it."""
    made = Rewound(postgres_server, template)
    yield made
    made.remove()


def plain(url: str) -> str:
    """The same URL for psycopg itself."""
    return url.replace("postgresql+psycopg", "postgresql")


def do(rewound: Rewound, *statements: str) -> None:
    """What a test does to it."""
    with psycopg.connect(plain(rewound.url), autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement)  # type: ignore[arg-type]  # psycopg wants literals; these are ours


def found(rewound: Rewound) -> tuple[list[tuple[Any, ...]], list[tuple[Any, ...]], int]:
    """What the next test finds: clubs, notes, and the number that the next club gets."""
    with psycopg.connect(plain(rewound.url)) as connection:
        clubs = connection.execute("SELECT id, name FROM clubs").fetchall()
        notes = connection.execute("SELECT id, club, words FROM notes").fetchall()
        [number] = connection.execute("INSERT INTO clubs (name) VALUES ('next') RETURNING id").fetchall()
        connection.rollback()
    return clubs, notes, number[0]


NOTE = "INSERT INTO notes (club, words) VALUES (1, 'x')"


@pytest.mark.parametrize(
    "statements",
    [
        pytest.param((), id="nothing"),
        pytest.param((NOTE,), id="row that must not be deleted"),
        pytest.param(("INSERT INTO clubs (name) VALUES ('Third')",), id="more"),
        pytest.param(("UPDATE clubs SET name = 'Other' WHERE id = 1",), id="changed"),
        pytest.param(("DELETE FROM clubs WHERE id = 2",), id="fewer"),
        pytest.param(("DELETE FROM clubs", "INSERT INTO clubs (name) VALUES ('a'), ('b')"), id="as many others"),
        pytest.param(("BEGIN", "INSERT INTO clubs (name) VALUES ('a')", "ROLLBACK"), id="number taken and given back"),
        pytest.param((NOTE, "DROP TABLE notes"), id="table gone"),
        pytest.param(("ALTER TABLE notes RENAME TO notes_away",), id="table renamed"),
        pytest.param(("ALTER TABLE clubs DISABLE TRIGGER ALL", "DELETE FROM clubs"), id="guard off"),
        pytest.param(("ANALYZE clubs",), id="statistics"),
    ],
)
def test_nothing_is_seen_of_what_a_test_did(rewound: Rewound, statements: tuple[str, ...]) -> None:
    """Twice, since what is put back must be known again as it is put back."""
    for _ in range(2):
        do(rewound, *statements)
        rewound.rewind()

        assert found(rewound) == AS_PREPARED
        with pytest.raises(psycopg.errors.RaiseException, match="append-only"):
            do(rewound, NOTE, "DELETE FROM notes")
        rewound.rewind()


def test_whoever_has_left_something_open_is_ended(rewound: Rewound) -> None:
    """A transaction that a test left open keeps nobody waiting, and nothing of it comes about."""
    with psycopg.connect(plain(rewound.url)) as left:
        left.execute("LOCK TABLE clubs")
        left.execute(NOTE)  # type: ignore[arg-type]  # as in `do`

        rewound.rewind()

        with pytest.raises(psycopg.OperationalError):
            left.execute("SELECT 1")
    assert found(rewound) == AS_PREPARED


def test_the_engine_keeps_its_connections_while_the_database_stays(rewound: Rewound) -> None:
    """And has new ones, without a fault, where it was copied anew."""
    before = process_of(rewound)
    do(rewound, NOTE)
    rewound.rewind()
    assert process_of(rewound) == before

    do(rewound, "DROP TABLE notes")
    rewound.rewind()
    assert process_of(rewound) != before


def process_of(rewound: Rewound) -> int:
    """Which of the server's processes the engine's connection is with."""
    with rewound.engine.connect() as connection:
        return int(connection.execute(text("SELECT pg_backend_pid()")).scalar_one())


def test_a_database_that_was_filled_is_copied_anew(rewound: Rewound) -> None:
    """What is deleted keeps its room, and would be looked through by each later test."""
    rows = ROOM_AT_MOST // 30
    do(rewound, f"INSERT INTO notes (club, words) SELECT 1, 'x' FROM generate_series(1, {rows})")  # noqa: S608 - a number

    rewound.rewind()

    assert found(rewound) == AS_PREPARED
    with psycopg.connect(plain(rewound.url)) as connection:
        [size] = connection.execute("SELECT pg_relation_size('notes')").fetchall()
    assert size == (0,)
