"""A backup from under real processes, and what they do after it was put back."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from service.demo.preparing import environment
from tests.end_to_end.installation import ANNA, CLEO, ROLES, ROOT, Installation, alarms, arm, installed, verified
from tests.servers.postgres import Postgres

pytestmark = [pytest.mark.processes, pytest.mark.postgres]

PACE = 10


def command(here: Installation, *words: str) -> str:
    """Run a command of the installation; what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "service.cli", *words],
        env=environment(here.place.settings(), os.environ) | {"TMPDIR": str(here.logs)},
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def asked(here: Installation) -> list[str]:
    """What the lead was asked because of the restore."""
    return [one.body for one in here.taken(ANNA) if "we lost the texts since" in one.body]


def test_who_is_out_is_asked_before_contacts_are_alerted(postgres_server: Postgres, tmp_path: Path) -> None:
    """The backup is taken while all runs; the dive ends; by the copy it is long overdue, and no contact is alarmed."""
    url = postgres_server.url(postgres_server.create_database())
    with installed(tmp_path, url, PACE) as here:
        here.start(*ROLES)
        here.wait_until_ready()
        dive = arm(here, run_time_min=50)
        told = command(here, "backup", str(tmp_path / "one.backup"))
        assert "1 dives (1 open)" in told
        here.text(ANNA, "OUT")
        here.wait_for(lambda: here.dive(str(dive["id"]))["phase"] == "closed", 30, "closed")
        here.kill(*ROLES)

        command(here, "restore", str(tmp_path / "one.backup"), "--replace", "--even-if-running")
        here.move_clock_on(timedelta(minutes=90))
        here.start(*ROLES)
        here.wait_for(lambda: bool(asked(here)), 120, "the lead is asked")

        here.text(ANNA, "OUT")
        here.wait_for(lambda: here.dive(str(dive["id"]))["phase"] == "closed", 30, "closed again")
        here.wait_until_settled()
        assert alarms(here, CLEO) == []
        assert "restored" in [entry.kind for entry in here.entries("service")]
        assert verified(here)
