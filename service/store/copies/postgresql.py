"""PostgreSQL by its own programs: pg_dump, pg_restore and psql.

https://www.postgresql.org/docs/current/app-pgdump.html
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from datetime import datetime
from pathlib import Path
from typing import Final

from psycopg.conninfo import make_conninfo
from sqlalchemy import URL

from service.store.copies.fault import CopyError

PACKAGE: Final = "postgresql-client"
ENDS_WITHIN_S: Final = 6 * 3600.0
LOCK_WITHIN: Final = "30s"
_UNFIT: Final = re.compile(rb"CREATE SCHEMA public;|COMMENT ON SCHEMA public |SET transaction_timeout = ")
_FAULT: Final = re.compile("error|fatal", re.IGNORECASE)
_INSTALLED: Final = Path("/usr/lib/postgresql")

# Tables and functions rather than the schema, which belongs to somebody else on many servers. Sequences, indexes and
# triggers go with their tables.
EMPTY_IT: Final = """
DO $$
DECLARE one record;
BEGIN
  FOR one IN SELECT format('%I.%I', schemaname, tablename) AS name FROM pg_tables WHERE schemaname = 'public' LOOP
    EXECUTE 'DROP TABLE ' || one.name || ' CASCADE';
  END LOOP;
  FOR one IN SELECT p.oid::regprocedure AS name FROM pg_proc p
    WHERE p.pronamespace = 'public'::regnamespace
    AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e') LOOP
    EXECUTE 'DROP FUNCTION ' || one.name || ' CASCADE';
  END LOOP;
END $$
"""

# A word in the copy itself, from the first moment on: an older one may be known by what this database is known by, too.
MARK_IT: Final = """
DO $$
BEGIN
  IF to_regclass('public.epochs') IS NULL THEN
    RETURN;
  END IF;
  IF (SELECT identity FROM public.epochs ORDER BY id DESC LIMIT 1) IS DISTINCT FROM 'copy' THEN
    INSERT INTO public.epochs (identity, copied_at) VALUES ('copy', '{made_at}');
  END IF;
  DELETE FROM public.heartbeats WHERE name = 'sweep';
END $$
"""


def dump(url: URL, snapshot: str, to: Path) -> None:
    """Dump the database as of that exported snapshot into the new file `to`, in the custom format. Raises CopyError."""
    _run(
        *("pg_dump", url, "--format=custom", "--no-owner", "--no-privileges", "--schema=public"),
        *(f"--snapshot={snapshot}", "--lock-wait-timeout=30000", f"--file={to}"),
    )


def load(dumped: Path, url: URL, made_at: datetime, *, replace: bool) -> None:
    """Put a dump in the place of what is in the database, in one transaction. Raises CopyError.

    It says of itself that it is a copy of `made_at`. The dump is unpacked beside itself first: a program that breaks
    off in the middle must not look like the end.
    """
    script, fitting = (dumped.with_name(f"{dumped.name}.{ending}") for ending in ("whole.sql", "sql"))
    _run("pg_restore", None, "--no-owner", "--no-privileges", f"--file={script}", str(dumped))
    _fit(script, fitting)
    script.unlink()
    _run(
        *("psql", url, "--no-psqlrc", "--quiet", "--single-transaction", "--set=ON_ERROR_STOP=1"),
        f"--command=SET LOCAL lock_timeout = '{LOCK_WITHIN}'",
        *([f"--command={EMPTY_IT}"] if replace else []),
        f"--file={fitting}",
        f"--command={MARK_IT.format(made_at=made_at.isoformat())}",
    )


def _run(name: str, url: URL | None, *arguments: str) -> None:
    """Run one of the programs. The password goes by the environment: a command line is for everybody to read."""
    program = _program(name)
    environment = dict(os.environ, LC_ALL="C")
    where = []
    if url is not None:
        if url.password is not None:
            environment["PGPASSWORD"] = url.password
        where = [f"--dbname={_conninfo(url)}"]
    done = subprocess.run(  # noqa: S603 - a program of PostgreSQL's, and arguments that we made
        [program, *where, *(["--no-password"] if url is not None else []), *arguments],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        timeout=ENDS_WITHIN_S,
        check=False,
    )
    if done.returncode:
        raise CopyError(_explained(name, done.stderr, done.returncode))


def _conninfo(url: URL) -> str:
    """How libpq is told where, without the password."""
    known = {"host": url.host, "port": url.port, "user": url.username, "dbname": url.database}
    more = {key: value for key, value in url.query.items() if isinstance(value, str) and key != "password"}
    return make_conninfo(**{key: str(value) for key, value in (known | more).items() if value is not None})


def _program(name: str) -> str:
    """The newest that is installed, since an older one refuses a newer server."""
    installed = sorted(_INSTALLED.glob(f"*/bin/{name}"), key=lambda path: _numbers(path.parent.parent.name))
    found = str(installed[-1]) if installed else shutil.which(name)
    if found is None:
        raise CopyError(f"{name} is not installed; it is in the package {PACKAGE} (apt-get install {PACKAGE})")
    return found


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", version))


def _explained(name: str, said: str, code: int) -> str:
    versions = re.search(r"server version: ([\w.]+).*?version: ([\w.]+)", said, re.DOTALL)
    if versions and "version mismatch" in said:
        server, ours = versions.groups()
        needed = server.partition(".")[0]
        return (
            f"{name} is of version {ours} and the server of {server}: install {PACKAGE}-{needed},"
            " since an older program cannot read a newer server"
        )
    if "unsupported version" in said:
        return f"{name} is older than the program that made this backup: install a newer {PACKAGE}"
    lines = [line for line in said.splitlines() if line.strip()]
    told = next((line for line in lines if _FAULT.search(line)), lines[0] if lines else f"exit status {code}")
    return f"{name} failed: {told.strip()}"


def _fit(script: Path, to: Path) -> None:
    """Leave out the making of the schema, which is there already, and a setting that older servers do not know."""
    in_data = False
    with script.open("rb") as before, to.open("xb") as after:
        for line in before:
            in_data = line != b"\\.\n" if in_data else line.startswith(b"COPY ")
            if in_data or not _UNFIT.match(line):
                after.write(line)
