"""Signs of life: up, ready and figures, and who may see them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.clock import PacedClock
from service.domain.dive.commands import Start, Tick
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.operations.service import Service
from service.operations.snapshotting import KeeperFiles, note_snapshot
from service.store import health, schema
from service.store.engine import open_engine
from service.store.tables import MessageRow
from service.web import create_app
from service.web.context import EXTENSION
from service.web.metrics import LATENESS_BUCKETS_S
from tests.web.installation import GATEWAY, PUBLIC_URL, Site, StillClock, seed, settings_for

BY = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")


def beat(at: Site, ago_s: float = 0) -> None:
    """A sweep that ended so long ago."""
    when = at.clock.now() - timedelta(seconds=ago_s)
    at.service.write(lambda session: health.beat(session, "sweep", when))


def test_the_process_is_up_whatever_the_database_does(at: Site, client: FlaskClient) -> None:
    """/healthz looks at nothing but the process."""
    at.service.engine.dispose()

    assert (client.get("/healthz").status_code, client.get("/healthz").text) == (200, "up\n")


def test_ready_with_a_fresh_sweep(at: Site, client: FlaskClient) -> None:
    """Schema current, database there, and somebody watches the clocks."""
    beat(at, ago_s=9)

    assert (client.get("/readyz").status_code, client.get("/readyz").text) == (200, "ready\n")


def test_not_ready_before_the_first_sweep(client: FlaskClient) -> None:
    """Nobody watches the clocks yet."""
    answer = client.get("/readyz")

    assert answer.status_code == 503
    assert "no sweep has run yet" in answer.text


def test_not_ready_when_the_last_sweep_is_old(at: Site, client: FlaskClient) -> None:
    """Ten seconds are too long."""
    beat(at, ago_s=11)

    answer = client.get("/readyz")

    assert answer.status_code == 503
    assert "the last sweep was 11 s ago" in answer.text


def test_a_sweep_is_as_fresh_in_a_demo_that_runs_faster() -> None:
    """With a clock sixty times as fast, ten real seconds are six hundred."""
    engine = open_engine("sqlite://")
    schema.migrate(engine)
    clock = PacedClock(pace=60.0, origin=datetime.now(UTC))
    service = Service(engine, clock, PUBLIC_URL, "web")
    client = create_app(service, settings_for("sqlite://", pace=60.0), (GATEWAY,)).test_client()
    service.write(lambda session: health.beat(session, "sweep", clock.now() - timedelta(seconds=300)))

    assert client.get("/readyz").status_code == 200
    engine.dispose()


def test_not_ready_at_an_older_schema(at: Site, client: FlaskClient) -> None:
    """A process that is newer than its database says what to run."""
    schema.take_back(at.service.engine, "base")

    answer = client.get("/readyz")

    assert answer.status_code == 503
    assert "linetender migrate" in answer.text


def test_not_ready_without_a_database(client: FlaskClient, at: Site, tmp_path: object) -> None:
    """An address with nobody behind it is no database."""
    engine = open_engine("postgresql://nobody@127.0.0.1:9/none")
    service = Service(engine, at.clock, PUBLIC_URL, "web")
    away = create_app(service, settings_for("postgresql://x"), (GATEWAY,)).test_client()

    answer = away.get("/readyz")

    assert (answer.status_code, answer.text) == (503, "the database does not answer\n")
    assert "linetender_database_up 0.0" in away.get("/metrics").text
    assert away.get("/plan").status_code == 503
    engine.dispose()


def test_what_the_keeper_keeps_and_tells_has_its_figures(at: Site, tmp_path: Path) -> None:
    """The age of its snapshot; and by the journal on this machine, whether it stands in, also with no database."""
    settings = replace(settings_for("sqlite://"), spool_dir=str(tmp_path))
    client = create_app(at.service, settings, (GATEWAY,)).test_client()
    assert ("linetender_snapshot_age_seconds", "") not in figures(client)
    note_snapshot(at.service, 2)
    at.clock.at += timedelta(seconds=7)

    found = figures(client)
    assert (found["linetender_snapshot_age_seconds", ""], found["linetender_standing_in", ""]) == (7, 0)
    journal = KeeperFiles(tmp_path, settings.secret_key).journal
    journal.parent.mkdir()
    journal.touch()
    assert figures(client)["linetender_standing_in", ""] == 1


def figures(client: FlaskClient) -> dict[tuple[str, str], float]:
    """Every sample by name and label value."""
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.mimetype == "text/plain"
    return {
        (sample.name, ",".join(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_figures_of_an_idle_installation(at: Site, client: FlaskClient) -> None:
    """Nothing due is zero; what never happened has no figure at all."""
    beat(at, ago_s=3)

    found = figures(client)

    assert found["linetender_database_up", ""] == 1
    assert found["linetender_asking_divers", ""] == 0
    assert found["linetender_sweep_age_seconds", ""] == 3
    assert found["linetender_oldest_due_seconds", ""] == 0
    assert found["linetender_oldest_urgent_seconds", ""] == 0
    assert ("linetender_canary_age_seconds", "") not in found
    assert found["linetender_dives", "in_water"] == 0


def test_dives_and_messages_are_counted_by_state(at: Site, client: FlaskClient) -> None:
    """An overdue dive that nobody has swept shows how late it is."""
    dive = at.filed()
    at.filed()
    act(at.service, dive.id, Start(BY))
    at.clock.forward(41)

    found = figures(client)

    assert (found["linetender_dives", "filed"], found["linetender_dives", "in_water"]) == (1, 1)
    assert found["linetender_messages", "queued"] >= 4
    assert found["linetender_oldest_due_seconds", ""] >= 60


def handed(at: Site, kind: str, late_s: list[float]) -> None:
    """Make the messages of a kind handed over so many seconds after they were due."""

    def work(session: Session) -> None:
        rows = session.query(MessageRow).filter(MessageRow.kind == kind).order_by(MessageRow.id).limit(len(late_s))
        for row, late in zip(rows.all(), late_s, strict=True):
            values = {"state": "handed", "handed_at": row.due_at + timedelta(seconds=late)}
            session.execute(update(MessageRow).where(MessageRow.id == row.id).values(**values))

    at.service.write(work)


def test_lateness_is_a_histogram_by_kind_from_the_table(at: Site, client: FlaskClient) -> None:
    """Each bucket counts what was handed over within its bound, the bound included; the sum is in seconds."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    at.clock.forward(70)
    act(at.service, dive.id, Tick())
    handed(at, "start_notice", [0.5, 0.75])
    handed(at, "reply", [301])

    found = figures(client)

    notices = [found["linetender_lateness_seconds_bucket", f"start_notice,{bound}"] for bound in LATENESS_BUCKETS_S]
    replies = [found["linetender_lateness_seconds_bucket", f"reply,{bound}"] for bound in LATENESS_BUCKETS_S]
    assert notices == [1, 2, 2, 2, 2, 2, 2, 2, 2, 2]
    assert replies == [0] * 10
    assert found["linetender_lateness_seconds_count", "reply"] == 1
    assert found["linetender_lateness_seconds_bucket", "reply,+Inf"] == 1
    assert found["linetender_lateness_seconds_sum", "start_notice"] == pytest.approx(1.25)
    assert ("linetender_lateness_seconds_count", "alert") not in found


def test_another_process_gives_the_same_figures(at: Site, client: FlaskClient) -> None:
    """They come from the table, so that a restart loses none."""
    at.filed()
    handed(at, "reply", [2])
    again = create_app(at.service, settings_for("sqlite://"), at.app.extensions[EXTENSION].gateways).test_client()

    first, second = figures(client), figures(again)

    assert first == second
    assert first["linetender_lateness_seconds_count", "reply"] == 1


@pytest.mark.postgres
def test_lateness_is_the_same_on_postgresql(postgres_url: str) -> None:
    """There times subtract to an interval; the buckets must not change for it."""
    engine = open_engine(postgres_url)
    schema.migrate(engine)
    clock = StillClock()
    service = Service(engine, clock, PUBLIC_URL, "web")
    seed(service, clock.now())
    app = create_app(service, settings_for(postgres_url), (GATEWAY,))
    at = Site(service, clock, app)
    act(service, at.filed().id, Start(BY))
    handed(at, "start_notice", [0.5, 61.25])

    found = figures(app.test_client())

    notices = [found["linetender_lateness_seconds_bucket", f"start_notice,{bound}"] for bound in LATENESS_BUCKETS_S]
    assert notices == [1, 1, 1, 1, 1, 1, 1, 1, 2, 2]
    assert found["linetender_lateness_seconds_sum", "start_notice"] == pytest.approx(61.75)
    engine.dispose()


Asking = Callable[[FlaskClient], int]


ASKED: dict[str, tuple[dict[str, str], str, int]] = {
    "this machine": ({}, "127.0.0.1", 200),
    "this machine by IPv6": ({}, "::1", 200),
    "another machine": ({}, "192.0.2.7", 403),
    "another machine through an undeclared proxy": ({"X-Forwarded-For": "192.0.2.7"}, "127.0.0.1", 403),
    "a forged header from elsewhere": ({"X-Forwarded-For": "127.0.0.1"}, "192.0.2.7", 403),
    "a token where none is set": ({"Authorization": "Bearer anything"}, "192.0.2.7", 403),
}


@pytest.mark.parametrize(("headers", "address", "status"), ASKED.values(), ids=ASKED)
def test_figures_are_for_this_machine_only(
    client: FlaskClient, headers: dict[str, str], address: str, status: int
) -> None:
    """Unless a token is set."""
    answer = client.get("/metrics", headers=headers, environ_base={"REMOTE_ADDR": address})

    assert answer.status_code == status


@pytest.mark.parametrize(("header", "status"), [("Bearer t0ken", 200), ("Bearer wrong", 403), ("", 403)])
def test_with_a_metrics_token_only_the_token_counts(at: Site, header: str, status: int) -> None:
    """From any machine, this one included."""
    app = create_app(at.service, settings_for("sqlite://", metrics_token="t0ken"), (GATEWAY,))

    assert app.test_client().get("/metrics", headers={"Authorization": header}).status_code == status


def test_behind_declared_proxies_the_callers_address_counts(at: Site) -> None:
    """With one proxy of ours the last forwarded address is the caller's; those before it may be forged."""
    client = create_app(at.service, settings_for("sqlite://", proxies=1), (GATEWAY,)).test_client()

    inside = client.get("/metrics", headers={"X-Forwarded-For": "192.0.2.7, 127.0.0.1"})
    outside = client.get("/metrics", headers={"X-Forwarded-For": "127.0.0.1, 192.0.2.7"})

    assert (inside.status_code, outside.status_code) == (200, 403)
