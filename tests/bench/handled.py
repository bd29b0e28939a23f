"""What the alternatives do when a deadline has come: one transaction with one row, and no more.

No rules, no words, no log, no message: it is the least that a handler could do, so they are measured at their best.
"""

from __future__ import annotations

import os
from functools import cache

from sqlalchemy import Engine, create_engine, text

TABLE = text("CREATE TABLE handled (number integer NOT NULL)")
_INSERT = text("INSERT INTO handled (number) VALUES (:number)")


@cache
def _engine() -> Engine:
    """Opened in the process that handles, at the first that it does."""
    return create_engine(os.environ["BENCH_DATABASE_URL"])


def handle(number: int) -> None:
    """Write down that this one was handled; when is told by the commit."""
    with _engine().begin() as connection:
        connection.execute(_INSERT, {"number": number})
