"""The tour plays to its end on both databases: every phone that was told anything hears that it is over."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import pytest

from tests.end_to_end.installation import ROOT
from tests.servers.postgres import Postgres

pytestmark = pytest.mark.processes

PACE = "120"
PLAYS_WITHIN_S = 180.0


@pytest.fixture(scope="module")
def tours(
    tmp_path_factory: pytest.TempPathFactory, postgres_server: Postgres
) -> Iterator[dict[str, subprocess.Popen[str]]]:
    """One tour on each database, both playing at once since they mostly wait."""
    name = postgres_server.create_database()
    urls = {"sqlite": None, "postgresql": postgres_server.url(name)}
    playing = {}
    for kind, url in urls.items():
        told = {
            one: value for one, value in os.environ.items() if one not in ("DATABASE_URL", "BROKER_URL", "GATEWAYS")
        }
        data = tmp_path_factory.mktemp(kind)
        playing[kind] = subprocess.Popen(
            [sys.executable, "-m", "service.cli", "tour", "--pace", PACE, "--data", str(data)],
            cwd=ROOT,
            env=told | ({"DATABASE_URL": url} if url else {}),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
    yield playing
    for tour in playing.values():
        if tour.poll() is None:
            tour.terminate()
        tour.communicate(timeout=60)
    postgres_server.drop_database(name)


def played(tour: subprocess.Popen[str]) -> str:
    """What a tour printed; fails with it unless it ended well."""
    printed, _ = tour.communicate(timeout=PLAYS_WITHIN_S)
    assert tour.returncode == 0, printed
    return printed


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_the_tour_ends_with_the_stand_down_everywhere(kind: str, tours: dict[str, subprocess.Popen[str]]) -> None:
    """Exit status 0, each step is in the conversation, and the log verifies."""
    printed = played(tours[kind])

    for step in ("ARMED", "OVERDUE", "CALL RESCUE NOW", "RESCUE CALLED", "It is over", "no fault"):
        assert step in printed
    for name in ("Bram Vik", "Cleo Marsh", "Dov Lind", "Edda Rowe"):
        assert [line for line in printed.splitlines() if f"-> {name}:" in line and "It is over" in line]
