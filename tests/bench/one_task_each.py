"""What an engineer would otherwise build: one Celery task for each message, which claims, posts and records it.

Nothing is logged in a chain, no gateway rests, no sender has a rate: it does less than our courier.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime

import httpx
from celery import Celery
from sqlalchemy import Engine, create_engine, text

app = Celery("one_task_each", broker=os.environ["BENCH_BROKER_URL"])
app.conf.update(task_ignore_result=True, worker_prefetch_multiplier=4, worker_hijack_root_logger=False)

CLAIM = text("UPDATE messages SET state = 'leased' WHERE id = :id AND state = 'queued' RETURNING phone, body")
HAND = text(
    "UPDATE messages SET state = 'handed', handed_at = :at, handed_gateway = 'shore', provider_id = :sid WHERE id = :id"
)
ATTEMPT = text(
    "INSERT INTO attempts (message_id, gateway, carried_by, started_at, ended_at, outcome, provider_id) "
    "VALUES (:id, 'shore', 'task', :at, :at, 'accepted', :sid)"
)


class Opened:
    """The engine and the client of this worker process, opened at its first task."""

    engine: Engine | None = None
    client: httpx.Client | None = None


@app.task(name="carry_one")
def carry_one(message_id: str) -> None:
    """Claim, post, record."""
    if Opened.engine is None or Opened.client is None:
        Opened.engine = create_engine(os.environ["BENCH_DATABASE_URL"])
        Opened.client = httpx.Client(auth=("AC1", "token"), timeout=12.0)
    with Opened.engine.begin() as connection:
        claimed = connection.execute(CLAIM, {"id": message_id}).one_or_none()
    if claimed is None:
        return
    address = f"{os.environ['BENCH_GATEWAY_URL']}/2010-04-01/Accounts/AC1/Messages.json"
    form = {"To": claimed.phone, "From": "+447700900500", "Body": claimed.body}
    answer = Opened.client.post(address, data=form)
    answer.raise_for_status()
    with Opened.engine.begin() as connection:
        given = {"id": message_id, "at": datetime.now(UTC), "sid": answer.json()["sid"]}
        connection.execute(HAND, given)
        connection.execute(ATTEMPT, given)
