"""The servers that tests lean on do what the tests believe of them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
import redis
from freezegun import freeze_time

from tests.servers import ports, postgres
from tests.servers.broker import Broker
from tests.servers.network import NetworkForbiddenError, take_attempts
from tests.servers.ports import NoPortError, NotListeningError, free_port, wait_until_listening

ROOT = Path(__file__).resolve().parent.parent.parent


def plain(url: str) -> str:
    """A SQLAlchemy URL as libpq takes it."""
    return url.replace("postgresql+psycopg://", "postgresql://")


def tables(url: str) -> int:
    """How many tables of ours a PostgreSQL database has."""
    with psycopg.connect(plain(url)) as connection:
        row = connection.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").fetchone()
    assert row is not None
    return int(row[0])


@pytest.mark.postgres
@pytest.mark.parametrize("time", [1, 2])
def test_every_test_gets_an_empty_database(postgres_url: str, time: int) -> None:
    """What one test leaves in its database the next one does not see."""
    before = tables(postgres_url)
    with psycopg.connect(plain(postgres_url)) as connection:
        connection.execute("CREATE TABLE left_behind (id int)")

    assert (before, tables(postgres_url)) == (0, 1)


@pytest.mark.postgres
def test_a_database_can_be_copied_from_another(postgres_server: postgres.Postgres) -> None:
    """A prepared database serves as the template of further ones."""
    first = postgres_server.create_database()
    with psycopg.connect(plain(postgres_server.url(first))) as connection:
        connection.execute("CREATE TABLE prepared (id int)")

    second = postgres_server.create_database(template=first)

    assert tables(postgres_server.url(second)) == 1


@pytest.mark.postgres
def test_postgres_keeps_fsync_and_never_runs_as_root(postgres_server: postgres.Postgres) -> None:
    """The tests run PostgreSQL as production does: fsync on, and as a user without rights."""
    name = postgres_server.create_database()
    with psycopg.connect(plain(postgres_server.url(name))) as connection:
        fsync = connection.execute("SHOW fsync").fetchone()

    assert fsync == ("on",)
    assert (postgres_server.directory / "data").stat().st_uid != 0


def test_a_missing_postgres_is_said_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no PostgreSQL the tests fail and name the package."""
    monkeypatch.setattr(postgres, "candidates", list)

    with pytest.raises(postgres.PostgresMissingError, match="apt-get install postgresql"):
        postgres.find_programs()


def test_a_killed_broker_forgets_and_can_be_started_again(broker: Broker) -> None:
    """After signal 9 the broker comes back on the same port, empty."""
    with redis.Redis.from_url(broker.url) as client:
        client.set("key", "value")
    port = broker.port

    os.kill(broker.pid, signal.SIGKILL)
    broker.wait_until_gone()
    broker.start()

    with redis.Redis.from_url(broker.url) as client:
        assert client.get("key") is None
    assert broker.port == port


def test_waiting_for_a_server_goes_by_the_real_clock() -> None:
    """A frozen test clock does not make a wait endless."""
    with freeze_time("2027-06-01T10:00:00Z"), pytest.raises(NotListeningError):
        wait_until_listening(free_port(), within_s=0.1)


def test_a_port_is_given_to_one_test_only() -> None:
    """Until this process ends nobody else gets it: not a second test here, nor one of another process."""
    mine = {free_port() for _ in range(50)}
    ask = "from tests.servers.ports import free_port; print(*[free_port() for _ in range(50)])"
    answer = subprocess.run([sys.executable, "-c", ask], cwd=ROOT, capture_output=True, text=True, check=True)
    theirs = set(map(int, answer.stdout.split()))

    assert (len(mine), len(theirs), mine & theirs) == (50, 50, set())


def test_a_port_that_is_in_use_is_not_given(monkeypatch: pytest.MonkeyPatch) -> None:
    """While somebody listens there nobody else is sent there, which is said; afterwards it is free."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        monkeypatch.setattr(ports, "PORTS", range(port, port + 1))
        monkeypatch.setattr(ports, "TRIES", 1)
        with pytest.raises(NoPortError, match="none is free"):
            free_port()

    assert free_port() == port


def test_a_connection_to_another_machine_is_refused() -> None:
    """Both a name to look up and an address to connect to are refused and remembered."""
    with pytest.raises(NetworkForbiddenError):
        socket.getaddrinfo("gateway.example", 443)
    with socket.socket() as end, pytest.raises(NetworkForbiddenError):
        end.connect(("192.0.2.7", 443))

    assert len(take_attempts()) == 2


def test_a_connection_to_this_machine_is_allowed(tmp_path: Path) -> None:
    """Loopback and local sockets stay open to the tests."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.socket() as end:
        end.connect(server.getsockname())
    with socket.socket(socket.AF_UNIX) as local, socket.socket(socket.AF_UNIX) as end:
        local.bind(str(tmp_path / "s"))
        local.listen()
        end.connect(str(tmp_path / "s"))

    assert take_attempts() == []
