"""Faults of the database, of the disk below it, and of the way to it."""

from __future__ import annotations

import resource
import signal
import sqlite3
import subprocess
from contextlib import suppress
from typing import ClassVar

import psycopg
from psycopg import sql

from service.demo.children import with_children
from tests.faults.fault import POSTGRESQL, SQLITE, WORST_S, Fault
from tests.faults.proxy import Mode
from tests.faults.rig import Rig


class _OnPostgres(Fault):
    on = frozenset((POSTGRESQL,))

    @staticmethod
    def pids(rig: Rig) -> list[int]:
        """The server with all its processes."""
        assert rig.postgres is not None
        return [] if rig.postgres.process is None else with_children(rig.postgres.process.pid)

    @staticmethod
    def up(rig: Rig) -> None:
        """Have it run."""
        assert rig.postgres is not None
        if rig.postgres.process is None or rig.postgres.process.poll() is not None:
            rig.postgres.start()

    @staticmethod
    def down(rig: Rig) -> None:
        """Kill it with all its processes."""
        assert rig.postgres is not None
        rig.send(signal.SIGKILL, *_OnPostgres.pids(rig))
        if rig.postgres.process is not None:
            rig.postgres.process.wait()
        rig.postgres.process = None


class DatabaseKilled(_OnPostgres):
    """PostgreSQL is killed with signal 9 and recovers when it is started again."""

    lasts_s = (5.0, 25.0)

    def inject(self, rig: Rig) -> None:
        self.down(rig)

    def heal(self, rig: Rig) -> None:
        self.up(rig)


class DatabaseAwayForLong(DatabaseKilled):
    """Away for more than half a minute."""

    within_s = WORST_S
    lasts_s = (35.0, 60.0)


class DatabaseRestarted(_OnPostgres):
    """An operator restarts PostgreSQL; every connection ends politely, in the middle of whatever it did."""

    lasts_s = (3.0, 6.0)

    def inject(self, rig: Rig) -> None:
        assert rig.postgres is not None
        rig.postgres.stop()
        rig.postgres.start()

    def heal(self, rig: Rig) -> None:
        self.up(rig)


class DatabaseFrozen(_OnPostgres):
    """PostgreSQL accepts and answers nothing."""

    def inject(self, rig: Rig) -> None:
        self.frozen = self.pids(rig)
        rig.send(signal.SIGSTOP, *self.frozen)

    def heal(self, rig: Rig) -> None:
        rig.send(signal.SIGCONT, *self.frozen)


class _DatabaseLine(_OnPostgres):
    mode: ClassVar[Mode]

    def inject(self, rig: Rig) -> None:
        assert rig.database_proxy is not None
        rig.database_proxy.become(self.mode)

    def heal(self, rig: Rig) -> None:
        assert rig.database_proxy is not None
        rig.database_proxy.become(Mode.PASS)


class DatabaseLineSwallows(_DatabaseLine):
    """The way to it takes all and brings nothing."""

    mode = Mode.SWALLOW


class DatabaseLinesHalfOpen(_DatabaseLine):
    """The lines there are go silent in the middle of transactions, new ones work."""

    mode = Mode.HALF_OPEN


class CommitsCut(_DatabaseLine):
    """Lines are reset at COMMIT: every other was done and nobody hears so, every other was not."""

    mode = Mode.CUT_COMMITS
    lasts_s = (5.0, 12.0)


class DatabaseLinesReset(_DatabaseLine):
    """All lines are reset every second, in the middle of whatever they carry."""

    mode = Mode.RESET

    def go_on(self, rig: Rig) -> None:
        self.inject(rig)


class TransactionHangs(_OnPostgres):
    """Somebody without any time-out holds the rows of the next dives and does nothing more."""

    lasts_s = (20.0, 40.0)
    connection: psycopg.Connection | None = None

    def inject(self, rig: Rig) -> None:
        assert rig.postgres is not None
        place = rig.engine.url.set(drivername="postgresql").render_as_string()
        self.connection = psycopg.connect(place, connect_timeout=5)
        self.connection.execute(
            "SELECT id FROM dives WHERE phase <> 'closed' ORDER BY raise_by_at DESC NULLS FIRST LIMIT 6"
            " FOR NO KEY UPDATE SKIP LOCKED"
        )

    def heal(self, rig: Rig) -> None:
        if self.connection is not None:
            self.connection.close()


class DatabaseReadOnly(_OnPostgres):
    """PostgreSQL takes no write, as a replica that nobody promoted."""

    def inject(self, rig: Rig) -> None:
        self._read_only(rig, "on")

    def heal(self, rig: Rig) -> None:
        self._read_only(rig, "off")

    @staticmethod
    def _read_only(rig: Rig, word: str) -> None:
        assert rig.postgres is not None
        place = f"host=127.0.0.1 port={rig.postgres.port} user=linetender dbname=postgres connect_timeout=5"
        with psycopg.connect(place, autocommit=True, options="-c default_transaction_read_only=off") as connection:
            setting = sql.SQL("ALTER SYSTEM SET default_transaction_read_only = {}")
            connection.execute(setting.format(sql.Literal(word)))
            connection.execute("SELECT pg_reload_conf()")


class DiskFull(Fault):
    """No file may grow, neither the database's nor a log; what is there can be read.

    By a limit on the size of files (https://man7.org/linux/man-pages/man2/getrlimit.2.html, RLIMIT_FSIZE), which needs
    no rights and no file system of its own, and holds for processes that run already.
    """

    def inject(self, rig: Rig) -> None:
        self.limited: set[int] = set()
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        pids = self._ours(rig)
        self.limited |= set(pids)
        for pid in pids:
            _limit(pid, 0)
        self._limit_postgres(rig, "0")

    def heal(self, rig: Rig) -> None:
        for pid in {*self.limited, *self._ours(rig)}:
            _limit(pid, resource.RLIM_INFINITY)
        self._limit_postgres(rig, "unlimited")
        if rig.postgres is not None:
            _OnPostgres.up(rig)

    @staticmethod
    def _ours(rig: Rig) -> list[int]:
        return rig.pids("web", "worker", "beat", "keeper")

    @staticmethod
    def _limit_postgres(rig: Rig, size: str) -> None:
        """As its own user: root may lack the right to do so to others."""
        if rig.postgres is None:
            return
        for pid in _OnPostgres.pids(rig):
            command = ["/usr/bin/prlimit", "--pid", str(pid), f"--fsize={size}:unlimited"]
            subprocess.run(command, **rig.postgres.as_user(), check=False, capture_output=True)


def _limit(pid: int, size: int) -> None:
    with suppress(ProcessLookupError):
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


class _HeldBySomebody(Fault):
    on = frozenset((SQLITE,))
    lasts_s = (8.0, 20.0)
    statements: ClassVar[tuple[str, ...]]

    def inject(self, rig: Rig) -> None:
        self.connection = sqlite3.connect(
            str(rig.engine.url.database), isolation_level=None, timeout=10, check_same_thread=False
        )
        for statement in self.statements:
            self.connection.execute(statement).fetchall()

    def heal(self, rig: Rig) -> None:
        self.connection.close()


class LongReader(_HeldBySomebody):
    """Somebody reads SQLite's file and does not stop: nobody can commit."""

    statements = ("BEGIN", "SELECT count(*) FROM dives")


class LongWriter(_HeldBySomebody):
    """Somebody has SQLite's write lock and does not give it back."""

    statements = ("BEGIN IMMEDIATE",)


class BusyStorm(_HeldBySomebody):
    """Somebody takes SQLite's write lock again and again for a second."""

    statements = ()

    def go_on(self, rig: Rig) -> None:
        if self.connection.in_transaction:
            self.connection.execute("ROLLBACK")
        else:
            self.connection.execute("BEGIN IMMEDIATE")


ALL: tuple[type[Fault], ...] = (
    DatabaseKilled,
    DatabaseAwayForLong,
    DatabaseRestarted,
    DatabaseFrozen,
    DatabaseLineSwallows,
    DatabaseLinesHalfOpen,
    CommitsCut,
    DatabaseLinesReset,
    TransactionHangs,
    DatabaseReadOnly,
    DiskFull,
    LongReader,
    LongWriter,
    BusyStorm,
)
