"""Opening a database, and the two kinds of transaction."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.orm import Session

from service.store import clubs, health
from service.store import engine as engines
from service.store.dives import StaleDive
from service.store.engine import (
    durability_faults,
    glancing,
    is_transient,
    open_engine,
    reading,
    run,
    writing,
)
from service.store.sqlite import DatabaseSettingError, _prepare_sqlite, wal_is_safe
from service.store.tables import HeartbeatRow
from tests.store.examples import NOW, add_club


@pytest.fixture
def sqlite_engine(tmp_path: Path) -> Engine:
    """A SQLite file that two engines can open."""
    return open_engine(f"sqlite:///{tmp_path / 'two.db'}")


@pytest.mark.parametrize(
    ("version", "safe"),
    [
        ((3, 40, 1), False),
        ((3, 44, 5), False),
        ((3, 44, 6), True),
        ((3, 45, 9), False),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 52, 0), True),
        ((4, 0, 0), True),
    ],
)
def test_wal_is_used_only_where_sqlite_is_free_of_the_reset_fault(version: tuple[int, int, int], *, safe: bool) -> None:
    """The releases are those of sqlite.org/wal.html#walresetbug."""
    assert wal_is_safe(version) is safe


def test_sqlite_gets_the_settings_that_safety_rests_on(sqlite_engine: Engine) -> None:
    """A commit is on the disk when it returns, and a broken reference is refused."""
    wal = wal_is_safe(sqlite3.sqlite_version_info)

    with sqlite_engine.connect() as connection:
        found = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }

    assert found == {
        "journal_mode": "wal" if wal else "delete",
        "synchronous": 2 if wal else 3,
        "foreign_keys": 1,
        "busy_timeout": 10_000,
    }


def test_sqlite_in_memory_is_one_database_for_all_sessions() -> None:
    """Simulations run in memory and must see their own commits."""
    engine = open_engine("sqlite:///:memory:")
    with writing(engine) as session:
        session.execute(text("CREATE TABLE t (x INTEGER)"))
        session.execute(text("INSERT INTO t VALUES (7)"))

    with reading(engine) as session:
        assert session.execute(text("SELECT x FROM t")).scalar_one() == 7


@pytest.mark.postgres
def test_postgresql_gets_every_time_out(postgres_url: str) -> None:
    """All of them are off by default, and a hung transaction would then hold a dive for ever."""
    engine = open_engine(postgres_url, statement_timeout_s=5, lock_timeout_s=2)

    with reading(engine) as session:
        found = {
            name: session.execute(text(f"SHOW {name}")).scalar_one()
            for name in (
                "statement_timeout",
                "lock_timeout",
                "idle_in_transaction_session_timeout",
                "idle_session_timeout",
                "tcp_keepalives_idle",
                "tcp_keepalives_interval",
                "tcp_keepalives_count",
                "timezone",
            )
        }

    assert found == {
        "statement_timeout": "5s",
        "lock_timeout": "2s",
        "idle_in_transaction_session_timeout": "10s",
        "idle_session_timeout": "1min",
        "tcp_keepalives_idle": "10",
        "tcp_keepalives_interval": "5",
        "tcp_keepalives_count": "3",
        "timezone": "UTC",
    }
    engine.dispose()


@pytest.mark.postgres
def test_a_line_that_lies_is_given_up_by_the_server_and_made_anew(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So a network that loses our lines, and tells the server nothing, does not fill it up; and nobody sees a fault."""
    other = open_engine(postgres_url)
    monkeypatch.setattr(engines, "IDLE_TIMEOUT_S", 1)
    engine = open_engine(postgres_url)
    pids = []
    for _ in range(2):
        with writing(engine) as session:
            pids.append(session.execute(text("SELECT pg_backend_pid()")).scalar_one())
        give_up_at = time.monotonic() + 20
        known = text("SELECT count(*) FROM pg_stat_activity WHERE pid = :pid")
        with glancing(other) as line:
            while line.execute(known, {"pid": pids[-1]}).scalar_one() and time.monotonic() < give_up_at:
                time.sleep(0.2)
            assert line.execute(known, {"pid": pids[-1]}).scalar_one() == 0

    assert pids[0] != pids[1]
    engine.dispose()
    other.dispose()


@pytest.mark.postgres
def test_postgresql_compresses_the_quick_way_where_it_can(postgres_url: str) -> None:
    """And a transaction is not begun for asking."""
    engine = open_engine(postgres_url)

    with engine.connect() as connection:
        line = connection.connection.driver_connection
        assert isinstance(line, psycopg.Connection)
        assert line.info.transaction_status == psycopg.pq.TransactionStatus.IDLE
        assert connection.execute(text("SHOW default_toast_compression")).scalar_one() == "lz4"
    engine.dispose()


def test_a_server_that_hangs_is_given_up_and_asked_anew(postgres_url: str) -> None:
    """It keeps its own time-outs no more; three seconds after them the unit is done again on another connection."""
    engine = open_engine(postgres_url, statement_timeout_s=1)
    hanging: list[int] = []

    def work(session: Session) -> int:
        pid = int(session.execute(text("SELECT pg_backend_pid()")).scalar_one())
        if not hanging:
            hanging.append(pid)
            os.kill(pid, signal.SIGSTOP)
        return int(session.execute(text("SELECT 7")).scalar_one())

    began_s = time.monotonic()
    try:
        assert run(engine, work) == 7
        assert 4 <= time.monotonic() - began_s < 20
    finally:
        os.kill(hanging[0], signal.SIGCONT)
        engine.dispose()


@pytest.mark.postgres
def test_postgresql_keeps_the_options_of_its_address(postgres_url: str) -> None:
    """What an operator wrote into the address still holds beside ours."""
    engine = open_engine(f"{postgres_url}{'&' if '?' in postgres_url else '?'}options=-c%20work_mem%3D5MB")

    with reading(engine) as session:
        assert session.execute(text("SHOW work_mem")).scalar_one() == "5MB"
        assert session.execute(text("SHOW lock_timeout")).scalar_one() == "2s"
    engine.dispose()


@pytest.mark.postgres
def test_a_postgresql_that_may_lose_a_commit_is_named(postgres_url: str) -> None:
    """A committed alarm must survive a power cut."""
    engine = open_engine(f"{postgres_url}{'&' if '?' in postgres_url else '?'}options=-c%20synchronous_commit%3Doff")

    assert "PostgreSQL has synchronous_commit = off; switch it on." in durability_faults(engine)
    engine.dispose()


def test_another_kind_of_database_is_refused() -> None:
    """Only what the tests run on is offered."""
    with pytest.raises(ValueError, match="The database is SQLite or PostgreSQL, not mysql"):
        open_engine("mysql://localhost/x")


def test_writing_commits_at_the_end(engine: Engine) -> None:
    """Another session sees it afterwards."""
    with writing(engine) as session:
        health.beat(session, "sweep", NOW)

    with reading(engine) as session:
        assert health.heartbeat(session, "sweep") is not None


def test_writing_takes_everything_back_when_anything_is_raised(engine: Engine) -> None:
    """Half a decision is never in the database."""

    def half() -> None:
        with writing(engine) as session:
            health.beat(session, "sweep", NOW)
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        half()

    with reading(engine) as session:
        assert health.heartbeat(session, "sweep") is None


def test_a_write_in_a_reading_session_is_refused(engine: Engine) -> None:
    """Reading means reading, on both databases."""
    with pytest.raises(DBAPIError, match=r"(?i)read-?\s?only"), reading(engine) as session:
        health.beat(session, "sweep", NOW)


def test_writing_works_on_a_connection_that_read_before(engine: Engine) -> None:
    """What reading forbids does not stick to the connection."""
    with reading(engine) as session:
        assert health.heartbeats(session) == {}

    with writing(engine) as session:
        health.beat(session, "sweep", NOW)


def test_writing_works_on_a_connection_where_a_write_was_refused(engine: Engine) -> None:
    """Nor does it where it had to forbid something; and whoever reads next is guarded again."""
    for _ in range(2):
        with pytest.raises(DBAPIError, match=r"(?i)read-?\s?only"), reading(engine) as session:
            health.beat(session, "sweep", NOW)

        with writing(engine) as session:
            health.beat(session, "sweep", NOW)


def test_reading_goes_on_while_somebody_writes(engine: Engine) -> None:
    """A keeper that only looks must never wait for a writer, nor make one wait."""
    with writing(engine) as writer:
        health.beat(writer, "sweep", NOW)
        writer.flush()
        with reading(engine) as reader:
            assert health.heartbeats(reader) == {}
        health.beat(writer, "sweep", NOW + timedelta(seconds=1))


def test_a_unit_of_work_is_run_again_when_somebody_was_first(engine: Engine) -> None:
    """The loser of a race decides anew on what is there now, and leaves nothing of the first try."""
    tries: list[int] = []

    def work(session: Session) -> str:
        health.beat(session, f"try-{len(tries)}", NOW)
        tries.append(len(tries))
        if len(tries) < 3:
            raise StaleDive("somebody was first")
        return "done"

    assert run(engine, work) == "done"
    with reading(engine) as session:
        assert set(health.heartbeats(session)) == {"try-2"}


def test_a_unit_of_work_is_given_up_after_the_last_try(engine: Engine) -> None:
    """Nothing is tried for ever; the caller hears why."""
    tries: list[None] = []

    def work(_: Session) -> None:
        tries.append(None)
        raise StaleDive("again and again")

    with pytest.raises(StaleDive, match="again and again"):
        run(engine, work, tries=2)
    assert len(tries) == 2


def test_a_fault_that_another_try_cannot_cure_is_raised_at_once(engine: Engine) -> None:
    """A broken rule of the database is not tried again."""
    tries: list[None] = []

    def work(session: Session) -> None:
        tries.append(None)
        add_club(session)  # it is there already

    with pytest.raises(IntegrityError):
        run(engine, work)
    assert len(tries) == 1


@pytest.mark.postgres
def test_a_unit_of_work_survives_the_loss_of_its_connection(postgres_url: str) -> None:
    """A database that drops us in the middle is asked again, for the whole unit."""
    engine = open_engine(postgres_url)
    tries: list[None] = []

    def work(session: Session) -> int:
        tries.append(None)
        if len(tries) == 1:
            session.execute(text("SELECT pg_terminate_backend(pg_backend_pid())"))
        return int(session.execute(text("SELECT 7")).scalar_one())

    assert run(engine, work) == 7
    assert len(tries) == 2
    engine.dispose()


@pytest.mark.postgres
@pytest.mark.parametrize(("after_s", "found"), [(0.0, True), (60.0, False)], ids=["asked", "not asked again so soon"])
def test_a_connection_that_lay_is_asked_whether_its_server_is_there(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch, after_s: float, *, found: bool
) -> None:
    """Whoever reads gets another one then; one that was used just now is believed, and the next try has another."""
    monkeypatch.setattr(engines, "ASKED_AFTER_S", after_s)
    engine, other = open_engine(postgres_url), open_engine(postgres_url)
    with reading(engine) as session:
        pid = session.execute(text("SELECT pg_backend_pid()")).scalar_one()
    with other.connect() as connection:
        connection.execute(text("SELECT pg_terminate_backend(:pid, 5000)"), {"pid": pid})

    seen: list[int] = []
    for _ in range(2):
        with suppress(OperationalError), reading(engine) as session:
            seen.append(session.execute(text("SELECT 7")).scalar_one())

    assert seen == ([7, 7] if found else [7])
    engine.dispose()
    other.dispose()


def _sqlite_error(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("invented")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("error", "transient"),
    [
        (_sqlite_error(sqlite3.SQLITE_BUSY), True),
        (_sqlite_error(sqlite3.SQLITE_BUSY_SNAPSHOT), True),
        (_sqlite_error(sqlite3.SQLITE_LOCKED), True),
        (_sqlite_error(sqlite3.SQLITE_FULL), False),
        (_sqlite_error(sqlite3.SQLITE_READONLY), False),
        (sqlite3.OperationalError("without a code"), False),
        (psycopg.errors.DeadlockDetected(), True),
        (psycopg.errors.SerializationFailure(), True),
        (psycopg.errors.LockNotAvailable(), True),
        (psycopg.errors.AdminShutdown(), True),
        (psycopg.errors.ConnectionFailure(), True),
        (psycopg.OperationalError("connection refused"), True),
        (psycopg.errors.QueryCanceled(), False),
        (psycopg.errors.DiskFull(), False),
    ],
    ids=repr,
)
def test_only_what_another_try_may_cure_counts_as_transient(error: Exception, *, transient: bool) -> None:
    """Busy, deadlocked and cut off are tried again; full and forbidden are not."""
    assert is_transient(OperationalError("SELECT 1", {}, error)) is transient


def test_other_errors_are_not_transient() -> None:
    """A fault of our own is never tried again."""
    assert not is_transient(RuntimeError("ours"))


def test_each_engine_begins_its_transactions_itself(sqlite_engine: Engine) -> None:
    """The driver's own begin is deferred and late; ours is immediate, or plain for reading."""
    said: list[str] = []
    event.listen(sqlite_engine, "checkout", lambda driver, *_: driver.set_trace_callback(said.append))

    with writing(sqlite_engine) as session:
        session.execute(text("SELECT 1"))
    with reading(sqlite_engine) as session:
        session.execute(text("SELECT 2"))
        session.rollback()
        session.execute(text("SELECT 3"))
    with glancing(sqlite_engine) as connection:
        connection.execute(text("SELECT 4"))

    assert [words for words in said if words.startswith(("BEGIN", "SELECT"))] == [
        *("BEGIN IMMEDIATE", "SELECT 1"),
        *("BEGIN", "SELECT 2", "BEGIN", "SELECT 3"),
        "SELECT 4",
    ]


def test_how_a_transaction_began_does_not_stick_to_the_connection(sqlite_engine: Engine) -> None:
    """Whoever writes after one who only meant to read, failed or was cut off keeps others out from the beginning."""
    said: list[str] = []
    event.listen(sqlite_engine, "checkout", lambda driver, *_: driver.set_trace_callback(said.append))

    with reading(sqlite_engine):
        pass
    with suppress(OperationalError), glancing(sqlite_engine) as connection:
        connection.execute(text("SELECT 1 FROM nowhere"))
    with reading(sqlite_engine) as session:
        session.connection().invalidate()
    said.clear()
    with writing(sqlite_engine) as session:
        session.execute(text("SELECT 1"))

    assert [words for words in said if words.startswith("BEGIN")] == ["BEGIN IMMEDIATE"]


def test_only_what_came_within_a_savepoint_is_undone_with_it(engine: Engine) -> None:
    """The statements before it, and those after, stay."""
    beat = text("INSERT INTO heartbeats (name, at) VALUES (:name, :at)")
    at = 0 if engine.dialect.name == "sqlite" else NOW

    def go_wrong(session: Session) -> None:
        with session.begin_nested():
            session.execute(beat, {"name": "within", "at": at})
            raise RuntimeError

    with writing(engine) as session:
        session.execute(beat, {"name": "before", "at": at})
        with pytest.raises(RuntimeError):
            go_wrong(session)
        session.execute(beat, {"name": "after", "at": at})

    with reading(engine) as session:
        assert set(session.execute(text("SELECT name FROM heartbeats")).scalars()) == {"before", "after"}


def test_what_waits_to_be_flushed_goes_before_a_plain_statement(engine: Engine) -> None:
    """So a statement sees what was added to its session."""
    with writing(engine) as session:
        session.add(HeartbeatRow(name="sweep", at=NOW))

        assert session.execute(text("SELECT name FROM heartbeats")).scalars().all() == ["sweep"]


def test_a_reference_to_nothing_is_refused(engine: Engine) -> None:
    """Foreign keys hold on SQLite too, where they are off by default."""
    with pytest.raises(IntegrityError), writing(engine) as session:
        session.execute(
            text("INSERT INTO people (id, club_id, name, phone, usual_contacts) VALUES ('p','0','x','y','[]')")
        )


def test_clubs_are_kept_apart_by_their_receiving_number(engine: Engine) -> None:
    """Two clubs on one number could not tell whose text it is."""
    with pytest.raises(IntegrityError), writing(engine) as session:
        add_club(session, club_id="other")
    with reading(engine) as session:
        assert [club.id for club in clubs.listing(session)] == ["skerry-bay"]


def test_a_sqlite_that_does_not_take_a_setting_is_refused(tmp_path: Path) -> None:
    """A database that cannot promise to keep a commit is not used in silence."""
    connection = sqlite3.connect(tmp_path / "deaf.db")

    def deaf_to_synchronous(_action: int, name: str | None, value: str | None, *_: object) -> int:
        return sqlite3.SQLITE_IGNORE if name == "synchronous" and value is not None else sqlite3.SQLITE_OK

    connection.execute("PRAGMA synchronous = OFF")
    connection.set_authorizer(deaf_to_synchronous)

    with pytest.raises(DatabaseSettingError, match="SQLite keeps synchronous at 0"):
        _prepare_sqlite(connection, None)  # type: ignore[arg-type]
    connection.close()


def test_a_unit_of_work_is_tried_at_least_once(sqlite_engine: Engine) -> None:
    """Asking for no try at all is a fault of the caller, not a silent nothing."""
    with pytest.raises(ValueError, match="tries is at least 1"):
        run(sqlite_engine, lambda _: None, tries=0)


def test_sqlite_has_no_durability_faults_to_name(sqlite_engine: Engine) -> None:
    """Its settings are checked at every connect instead."""
    assert durability_faults(sqlite_engine) == ()
