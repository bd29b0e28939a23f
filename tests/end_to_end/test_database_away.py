"""A real PostgreSQL stopped under real processes: no text is lost, and none counts twice."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx
import pytest

from service.demo.preparing import environment
from service.settings import PREFIX
from service.store import log
from tests.end_to_end.installation import ANNA, ROLES, ROOT, Installation, installed
from tests.end_to_end.test_faults import arm, verified
from tests.servers.ports import free_port
from tests.servers.postgres import Postgres, start_postgres

pytestmark = [pytest.mark.processes, pytest.mark.postgres]


@pytest.fixture
def server() -> Iterator[Postgres]:
    """A PostgreSQL of this test's own, which it may stop."""
    server = start_postgres()
    yield server
    server.remove()


@contextmanager
def fallback_of(here: Installation) -> Iterator[str]:
    """The fallback process, with an address of its own; gives that."""
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    told = environment(here.place.settings(), os.environ) | {PREFIX + "PUBLIC_URL": url, "TMPDIR": str(here.logs)}
    with (here.logs / "fallback.log").open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", "fallback", "--port", str(port)],
            env=told,
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
        )
    try:
        here.wait_for(lambda: up(f"{url}/healthz"), 60, "the fallback is up")
        yield url
    finally:
        process.terminate()
        process.wait(30)


def up(address: str) -> bool:
    """Whether it answers that all is well."""
    with suppress(httpx.HTTPError):
        return httpx.get(address, trust_env=False, timeout=5).is_success
    return False


def on_disk(here: Installation) -> int:
    """How much lies there."""
    return len(list(here.place.directory.spool.glob("*.sealed")))


def test_texts_that_come_while_the_database_is_stopped_are_acted_on_in_the_end(
    server: Postgres, tmp_path: Path
) -> None:
    """A delay by the web process, a finish by the fallback: both 200 at once, and both done when it is back."""
    with installed(tmp_path, server.url(server.create_database()), 4) as here, fallback_of(here) as fallback:
        here.start(*ROLES)
        here.wait_until_ready()
        dive_id = str(arm(here, run_time_min=60)["id"])

        server.stop()
        here.text(ANNA, "LATE 20")
        assert on_disk(here) == 1
        here.kill("web")
        posted = here.control("/control/text", sender=ANNA, body="OUT 2", url=f"{fallback}/inbound/fake/text")
        assert posted["status"] == 200
        assert on_disk(here) == 2

        server.start()
        here.start("web")
        here.wait_for(lambda: here.answers("/readyz"), 60, "the web is back")
        here.wait_for(lambda: here.dive(dive_id)["phase"] == "closed", 60, "the dive is closed")
        here.wait_until_settled()

        assert on_disk(here) == 0
        kinds = [entry.kind for entry in here.entries(log.dive_chain(dive_id))]
        decided = [kind for kind in kinds if kind in ("event:extension_asked", "event:closed")]
        assert decided == ["event:extension_asked", "event:closed"]
        assert kinds.count("text_read") == 3
        assert verified(here)
