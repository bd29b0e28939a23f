"""Transactions that PostgreSQL keeps for ever, with all that they lock: their line fell silent in the middle of a send.

Many statements are sent as one, and only behind the last of them is the server told to finish
(https://www.postgresql.org/docs/current/protocol-flow.html#PROTOCOL-FLOW-PIPELINING). Where the line is silent from
before that, the server waits for the rest, and counts that neither as a statement that takes long nor as a transaction
that is idle. Where the network itself is gone it finds out by keepalives; behind a proxy that holds the line it never
does, and a text that such a transaction has locked is never answered.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Engine, text

from service.store.engine import IDLE_IN_TRANSACTION_TIMEOUT_S, OURS, glancing

# Of our own role and program alone: whoever brings in a dump waits for its file in the same way.
_END: Final = text("""
    SELECT pg_terminate_backend(pid) FROM pg_stat_activity
    WHERE datname = current_database() AND usename = current_user AND application_name = :ours
    AND state = 'active' AND wait_event_type = 'Client' AND wait_event = 'ClientRead'
    AND query_start < clock_timestamp() - make_interval(secs => :after_s)
""")


def end_hung(engine: Engine, after_s: float = IDLE_IN_TRANSACTION_TIMEOUT_S) -> int:
    """End those of our transactions that have waited so many seconds for the rest of a send; how many there were.

    After as long as the server itself gives one that waits between two statements. SQLite has none of them.
    """
    if engine.dialect.name != "postgresql":
        return 0
    with glancing(engine) as line:
        return len(line.execute(_END, {"ours": OURS, "after_s": after_s}).all())
