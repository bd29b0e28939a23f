"""A private PostgreSQL for one test process: its own directory, its own loopback port, gone afterwards."""

from __future__ import annotations

import os
import pwd
import re
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql

from tests.servers.ports import free_port

STARTS_WITHIN_S = 60.0
STOPS_WITHIN_S = 30.0
PROGRAMS = ("initdb", "postgres")

WHAT_TO_INSTALL = (
    "These tests need a real PostgreSQL and found none (no initdb and postgres in /usr/lib/postgresql/*/bin, "
    "on the path, or where pg_config points). On Debian or Ubuntu: apt-get install postgresql. On macOS: "
    "brew install postgresql. Its service need not run; the tests start their own."
)


class PostgresMissingError(Exception):
    """No PostgreSQL is installed; the message says what to install."""


class PostgresFailedError(Exception):
    """PostgreSQL is installed but did not start; the message has its log."""


def newest_first(directory: Path) -> tuple[int, ...]:
    """A sort key by the version in a directory's name."""
    return tuple(-int(number) for number in re.findall(r"\d+", directory.parent.name))


def candidates() -> list[Path]:
    """Directories that may hold PostgreSQL's programs, best first."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=newest_first)
    found += [Path(entry) for entry in os.environ.get("PATH", "").split(os.pathsep) if entry]
    if pg_config := shutil.which("pg_config"):
        answer = subprocess.run([pg_config, "--bindir"], capture_output=True, text=True, check=False)
        found.append(Path(answer.stdout.strip()))
    return found


def find_programs() -> Path:
    """The directory with `initdb` and `postgres`.

    Raises:
        PostgresMissingError: when there is none.

    """
    for directory in candidates():
        if all(os.access(directory / program, os.X_OK) for program in PROGRAMS):
            return directory
    raise PostgresMissingError(WHAT_TO_INSTALL)


def other_user() -> pwd.struct_passwd | None:
    """Whom to run PostgreSQL as: it refuses root, so root lends it to a user without rights."""
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name: entry for entry in pwd.getpwall()}
    return names.get("postgres") or names["nobody"]


@dataclass
class Postgres:
    """A running server; every test gets databases of its own from it."""

    programs: Path
    directory: Path
    user: pwd.struct_passwd | None
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> Path:
        """What the server says."""
        return self.directory / "server.log"

    def as_user(self) -> dict[str, Any]:
        """How a child of ours is started so that PostgreSQL accepts its user."""
        if self.user is None:
            return {"cwd": self.directory}
        return {
            "cwd": self.directory,
            "user": self.user.pw_uid,
            "group": self.user.pw_gid,
            "extra_groups": [],
        }

    def create_cluster(self) -> None:
        """Lay out an empty cluster whose only superuser is `linetender`, without a password, on loopback.

        Raises:
            PostgresFailedError: when that fails.

        """
        if self.user is not None:
            os.chown(self.directory, self.user.pw_uid, self.user.pw_gid)
        made = subprocess.run(
            [
                *(str(self.programs / "initdb"), "--pgdata", str(self.directory / "data")),
                *("--username", "linetender", "--auth", "trust", "--encoding", "UTF8", "--locale", "C"),
                # The files are thrown away; the server itself keeps fsync, as in production.
                "--no-sync",
            ],
            **self.as_user(),
            capture_output=True,
            text=True,
            check=False,
        )
        if made.returncode:
            raise PostgresFailedError(made.stdout + made.stderr)

    def start(self) -> None:
        """Start the server and return when it answers.

        Raises:
            PostgresFailedError: when it does not in time.

        """
        options = {
            "port": str(self.port),
            "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "",
            "fsync": "on",
            "max_connections": "100",
            "timezone": "UTC",
        }
        settings = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [str(self.programs / "postgres"), "-D", str(self.directory / "data"), *settings],
                **self.as_user(),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.wait_until_ready(self.process)

    def wait_until_ready(self, process: subprocess.Popen[bytes]) -> None:
        """Return once a query is answered.

        Raises:
            PostgresFailedError: when the server ends first, or is not ready in time.

        """
        give_up_at = time.monotonic() + STARTS_WITHIN_S
        while process.poll() is None and time.monotonic() < give_up_at:
            try:
                self.run(sql.SQL("SELECT 1"))
            except psycopg.OperationalError:
                time.sleep(0.05)
            else:
                return
        raise PostgresFailedError(self.log.read_text(encoding="utf-8", errors="replace"))

    def run(self, statement: sql.SQL | sql.Composed) -> None:
        """Run one statement outside a transaction, as the superuser."""
        place = f"host=127.0.0.1 port={self.port} user=linetender dbname=postgres connect_timeout=5"
        with psycopg.connect(place, autocommit=True) as connection:
            connection.execute(statement)

    def create_database(self, template: str = "template0") -> str:
        """A new database of its own name, copied from `template`; returns the name."""
        name = f"t_{secrets.token_hex(8)}"
        self._create(name, template)
        return name

    def renew_database(self, name: str, template: str) -> None:
        """Put a new copy of `template` in the place of a database, whoever is still connected to that."""
        self.drop_database(name)
        self._create(name, template)

    def _create(self, name: str, template: str) -> None:
        create = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
        self.run(create.format(sql.Identifier(name), sql.Identifier(template)))

    def drop_database(self, name: str) -> None:
        """Remove a database, with whoever is still connected to it."""
        self.run(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))

    def url(self, name: str) -> str:
        """The SQLAlchemy URL of one database."""
        return f"postgresql+psycopg://linetender@127.0.0.1:{self.port}/{name}"

    def stop(self) -> None:
        """End the server: politely at first, then not. Only the process that `start` made is touched."""
        if self.process is None:
            return
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(STOPS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(STOPS_WITHIN_S)
        self.process = None

    def remove(self) -> None:
        """Stop, and leave nothing on the disk."""
        self.stop()
        shutil.rmtree(self.directory, ignore_errors=True)


def start_postgres() -> Postgres:
    """A new server, ready.

    Raises:
        PostgresMissingError: when PostgreSQL is not installed.
        PostgresFailedError: when it does not start.

    """
    programs = find_programs()
    # Straight under the system's temporary directory: pytest's own is closed to other users.
    server = Postgres(programs, Path(tempfile.mkdtemp(prefix="linetender-postgres-")), other_user())
    try:
        server.create_cluster()
        server.start()
    except BaseException:
        server.remove()
        raise
    return server
