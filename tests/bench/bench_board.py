"""What a look at the water board costs with 300 live dives: the whole page, the part that changes, and a glance."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy.orm import Session

from service.operations.board import glance
from service.operations.service import Service
from service.store import outbox, schema
from service.store.engine import open_engine
from service.store.outbox import NewMessage
from service.web import create_app
from service.web.context import EXTENSION
from service.web.desk.board_streams import Looks
from tests.bench import results
from tests.bench.armed import MovedClock
from tests.web.desk.crowd import crowd
from tests.web.desk.entering import enter
from tests.web.installation import GATEWAY, PUBLIC_URL, seed, settings_for

DIVES = 300
LOOKS = 60
WITHIN_MS = 150.0
BYTES_MAX = 100_000
NOW = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
SENT = (
    ("diver-0", "heads_up"),
    ("diver-0", "due_out"),
    ("diver-0", "second_call"),
    ("contact-0", "start"),
    ("contact-1", "start"),
    ("contact-0", "alert"),
    ("contact-1", "next"),
    ("contact-0", "distress"),
)


def send(service: Service) -> None:
    """Eight messages for each dive, as an alarm has by then."""

    def work(session: Session) -> None:
        outbox.queue_all(session, [_message(place, key, step) for place in range(DIVES) for key, step in SENT])

    service.write(work)


def _message(place: int, key: str, step: str) -> NewMessage:
    return NewMessage(
        club_id="skerry",
        dive_id=f"{place:016x}",
        person_key=key,
        name="Cleo Marsh",
        phone="+447700900201",
        kind="alert",
        priority=1,
        step=step,
        body="Overdue",
        segments=1,
        queued_at=NOW,
        due_at=NOW,
    )


def milliseconds(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> list[float]:
    """How long each of the looks took."""
    work()
    return [results.timed(work, clock) * 1e3 for _ in range(LOOKS)]


def ninety_fifth(runs: Sequence[float]) -> float:
    """The time within which 95 of 100 looks were done."""
    return statistics.quantiles(runs, n=20)[-1]


@pytest.mark.parametrize("overdue", [False, True], ids=["in the water", "in alert"])
def test_board(database_url: str, *, overdue: bool) -> None:
    """The page as a browser gets it, and what the script of one that has no stream asks for, anew each time."""
    engine = open_engine(database_url)
    schema.migrate(engine)
    service = Service(engine, MovedClock(NOW), PUBLIC_URL, "bench")
    seed(service, NOW)
    crowd(service, "skerry", DIVES, overdue=overdue)
    send(service)
    app = create_app(service, settings_for(str(engine.url)), (GATEWAY,))
    client = app.test_client()
    enter(client)

    def page() -> None:
        assert client.get("/admin/board").status_code == 200

    def part() -> None:
        app.extensions[EXTENSION] = replace(app.extensions[EXTENSION], looks=Looks())  # nothing was looked at before
        assert client.get("/admin/board/now").status_code == 200

    what = f"{engine.dialect.name}, {DIVES} dives {'in alert' if overdue else 'in the water'}"
    for name, path, work in (("page", "/admin/board", page), ("part", "/admin/board/now", part)):
        runs, size = milliseconds(work), len(client.get(path).data)
        ours = statistics.median(milliseconds(work, time.process_time))  # whoever else the machine works for
        more = {"p95": round(ninety_fifth(runs), 1), "own_processor": round(ours, 1), "bytes": size}
        found = results.note(f"board, {name}, {what}", runs, "ms", **more)
        assert found.figure <= WITHIN_MS
        assert size < BYTES_MAX
    results.note(f"board, glance, {what}", milliseconds(lambda: glance(service, "skerry")), "ms")
    engine.dispose()
