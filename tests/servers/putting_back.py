"""A PostgreSQL database put back to how it was: a new copy takes many times as long, and so do connections to it."""

from __future__ import annotations

from typing import Any

import psycopg
from psycopg import Connection
from psycopg.sql import SQL, Identifier
from sqlalchemy import Engine

from tests.servers.postgres import Postgres

# The numbers too: by them the service knows a database that was restored.
_RELATIONS = SQL(
    "SELECT oid, relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = ANY(%s) ORDER BY 2"
)
_SEQUENCES = SQL(
    "SELECT sequencename, coalesce(last_value, start_value), last_value IS NOT NULL FROM pg_sequences "
    "WHERE schemaname = 'public'"
)
# Whoever is left in the middle of something holds rows, and belongs to a test that is over.
_END_OTHERS = SQL(
    "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = current_database() "
    "AND pid <> pg_backend_pid() AND backend_type = 'client backend' AND state <> 'idle'"
)


class Original:
    """What is to be in the database of an engine, namely what is in its template, and so far is in it."""

    def __init__(self, server: Postgres, engine: Engine, template: str) -> None:
        self._server, self._engine, self._template = server, engine, template
        self._name = engine.url.database or ""
        self._look()

    def put_back(self) -> None:
        """Have it hold that and nothing else. What of the engine's is connected and idle stays so.

        Where tables were made anew, dropped or renamed, it is a new copy.
        """
        if self._engine.pool.checkedout():  # type: ignore[attr-defined]
            self._engine.dispose()
        if self._relations() != self._as_made:
            self._engine.dispose()
            self.close()
            self._server.renew_database(self._name, self._template)
            self._look()
            return
        self._connection.execute(_END_OTHERS)
        with self._connection.transaction(), self._connection.cursor() as cursor:
            # Neither the triggers that keep the log from being emptied nor foreign keys are asked.
            cursor.execute(SQL("SET LOCAL session_replication_role = replica"))
            cursor.execute(self._empty)
            for table, rows in self._rows.items():
                with cursor.copy(SQL("COPY {} FROM STDIN").format(Identifier(table))) as copying:
                    copying.write(rows)
            cursor.executemany(SQL("SELECT setval(quote_ident(%s), %s, %s)"), self._sequences)

    def close(self) -> None:
        """Give the connection back."""
        self._connection.close()

    def _look(self) -> None:
        self._connection: Connection[Any] = psycopg.connect(self._server.place(self._name), autocommit=True)
        self._as_made = self._relations()
        tables = [name for _, name in self._relations("r")]
        self._empty = SQL("; ").join(SQL("DELETE FROM {}").format(Identifier(name)) for name in tables)
        self._rows = {name: rows for name in tables if (rows := self._copied(name))}
        self._sequences = self._connection.execute(_SEQUENCES).fetchall()

    def _relations(self, kinds: str = "riS") -> list[tuple[int, str]]:
        return self._connection.execute(_RELATIONS, [list(kinds)]).fetchall()

    def _copied(self, table: str) -> bytes:
        taking = SQL("COPY {} TO STDOUT").format(Identifier(table))
        with self._connection.cursor() as cursor, cursor.copy(taking) as rows:
            return b"".join(rows)
