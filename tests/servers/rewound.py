"""A PostgreSQL database that is put back to where it was between tests.

Copying it anew makes, writes and removes some six hundred files, which takes longer than many tests. Here only what a
test has written is taken away again; where it changed more than rows, the database is copied anew after all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import psycopg
from psycopg import sql
from sqlalchemy import Engine

from service.store.engine import open_engine
from tests.servers.postgres import Postgres

# Rows that are deleted keep their room, since nobody vacuums here: so that rows lie in the order in which they came.
ROOM_AT_MOST = 1024 * 1024

# Those who are idle stay: what a server's process has learned of the tables is a good part of what a test takes.
END_OTHERS = """
    SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity
    WHERE datname = current_database() AND pid <> pg_backend_pid() AND state <> 'idle'
"""

# Every change of what there is besides rows writes one of these. The server's own are numbered lower.
SHAPE = sql.SQL(" UNION ALL ").join(
    sql.SQL("SELECT count(*), max(xmin::text::bigint) FROM {} WHERE {} >= 16384").format(
        sql.Identifier(catalog), sql.Identifier(number)
    )
    for catalog, number in (
        *(("pg_class", "oid"), ("pg_attribute", "attrelid"), ("pg_constraint", "oid"), ("pg_trigger", "oid")),
        *(("pg_proc", "oid"), ("pg_rewrite", "oid"), ("pg_type", "oid"), ("pg_namespace", "oid")),
        # What is known of the rows changes how the server goes about a statement.
        ("pg_statistic", "starelid"),
    )
)

# A table that was never written has no room; one that was keeps some, whatever became of its rows.
WRITTEN = """
    SELECT relname, pg_relation_size(oid) FROM pg_class
    WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND pg_relation_size(oid) > 0
"""


@dataclass(frozen=True)
class Kept:
    """The rows of a table, and by what it is seen that they are still the same."""

    rows: bytes
    mark: tuple[Any, ...]


@dataclass
class Rewound:
    """A database of `server` that begins as a copy of `template`, and can be put back to that; its engine for all."""

    server: Postgres
    template: str
    name: str = field(init=False)
    engine: Engine = field(init=False)
    _line: psycopg.Connection[Any] = field(init=False, repr=False)
    _shape: list[Any] = field(init=False, repr=False)
    _kept: dict[str, Kept] = field(init=False, repr=False)
    _sequences: list[tuple[str, int, bool]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.name = self.server.create_database(self.template)
        self.engine = open_engine(self.url)
        self._learn()

    @property
    def url(self) -> str:
        """Its SQLAlchemy URL, always the same."""
        return self.server.url(self.name)

    def rewind(self) -> None:
        """Put it back, whatever somebody who is still connected has begun."""
        self._line.execute(END_OTHERS)
        written = dict(self._line.execute(WRITTEN).fetchall())
        if self._line.execute(SHAPE).fetchall() != self._shape or sum(written.values()) > ROOM_AT_MOST:
            self.copy_anew()
            return
        with self._line.transaction():
            # So no trigger refuses it, and no foreign key asks for an order.
            self._line.execute("SET LOCAL session_replication_role = replica")
            for table in written:
                self._put_back(table)
            for name, value, called in self._sequences:
                self._line.execute("SELECT setval(%s::regclass, %s, %s)", (name, value, called))

    def copy_anew(self) -> None:
        """Make another copy in its place, to which nobody is connected."""
        self.engine.dispose()
        self._line.close()
        self.server.renew_database(self.name, self.template)
        self._learn()

    def remove(self) -> None:
        """Leave nothing of it."""
        self.engine.dispose()
        self._line.close()
        self.server.drop_database(self.name)

    def _learn(self) -> None:
        place = f"host=127.0.0.1 port={self.server.port} user=linetender dbname={self.name}"
        self._line = psycopg.connect(place, autocommit=True)
        for (table,) in self._line.execute("SELECT relname FROM pg_class WHERE relkind = 'r' AND oid >= 16384"):
            off = sql.SQL("ALTER TABLE {} SET (autovacuum_enabled = off)")
            self._line.execute(off.format(sql.Identifier(table)))
        self._kept = {table: self._rows(table) for table, _ in self._line.execute(WRITTEN).fetchall()}
        self._sequences = self._line.execute(
            "SELECT quote_ident(sequencename), coalesce(last_value, start_value), last_value IS NOT NULL"
            " FROM pg_sequences WHERE schemaname = 'public'"
        ).fetchall()
        self._shape = self._line.execute(SHAPE).fetchall()

    def _rows(self, table: str) -> Kept:
        take = sql.SQL("COPY {} TO STDOUT (FORMAT binary)").format(sql.Identifier(table))
        with self._line.cursor().copy(take) as copy:
            rows = b"".join(copy)
        return Kept(rows, self._mark(table))

    def _mark(self, table: str) -> tuple[Any, ...]:
        """Each row that is written says by which transaction; what is deleted is counted no more."""
        ask = sql.SQL("SELECT count(*), max(xmin::text::bigint) FROM {}").format(sql.Identifier(table))
        [found] = self._line.execute(ask).fetchall()
        return tuple(found)

    def _put_back(self, table: str) -> None:
        kept = self._kept.get(table)
        if kept is not None and kept.mark == self._mark(table):
            return
        self._line.execute(sql.SQL("DELETE FROM {}").format(sql.Identifier(table)))
        if kept is not None:
            give = sql.SQL("COPY {} FROM STDIN (FORMAT binary)").format(sql.Identifier(table))
            with self._line.cursor().copy(give) as copy:
                copy.write(kept.rows)
            self._kept[table] = Kept(kept.rows, self._mark(table))
