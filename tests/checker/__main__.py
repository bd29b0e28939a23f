"""The checker from the command line: `python -m tests.checker --database URL --journal FILE`; 1 when anything is wrong.

The journal is JSON lines with `number`, `at` (RFC 3339 with a zone), `gateway`, `to`, `body` and `reference`. It is
asked as of now, or as of `--now`; with `--never` only what may never be, for a record whose faults have not stopped.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import create_engine, make_url

from tests.checker.questions import violations


@dataclass(frozen=True)
class Line:
    """A line of a journal."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str


def journal_of(path: Path) -> Iterator[Line]:
    """The lines of a journal. Raises KeyError for one that lacks something."""
    for words in path.read_text(encoding="utf-8").splitlines():
        if words.strip():
            said = json.loads(words)
            at = datetime.fromisoformat(said["at"])
            yield Line(said["number"], at, said["gateway"], said["to"], said["body"], said["reference"])


def main(arguments: list[str] | None = None) -> int:
    """Print what does not hold, a line each."""
    parser = argparse.ArgumentParser(prog="python -m tests.checker", description=__doc__)
    parser.add_argument("--database", required=True, help="sqlite:///... or postgresql://...")
    parser.add_argument("--journal", required=True, type=Path, help="what the gateways took, as JSON lines")
    parser.add_argument("--now", type=datetime.fromisoformat, help="as of this instant, RFC 3339")
    parser.add_argument("--never", action="store_true", help="ask only what may never be")
    given = parser.parse_args(arguments)
    url = make_url(given.database)
    engine = create_engine(url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url)
    journal, now = list(journal_of(given.journal)), given.now or datetime.now(UTC)
    found = violations(engine, journal, now, promises=not given.never)
    engine.dispose()
    print("\n".join(found) or "all holds")
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())
