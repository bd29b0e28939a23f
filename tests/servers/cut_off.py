"""A line to PostgreSQL that falls silent in the middle of a send, as behind a proxy that holds it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg


@contextmanager
def cut_off(url: str, statement: str, **named: Any) -> Iterator[None]:
    """The statement is done and its transaction open; the server waits for more of the same send."""
    connection = psycopg.connect(url, **named)
    line = connection.pgconn
    try:
        line.enter_pipeline_mode()
        line.send_query_params(statement.encode(), [])
        line.send_flush_request()
        line.flush()
        while line.is_busy():  # until the server has done it
            line.consume_input()
        yield
    finally:
        connection.close()
