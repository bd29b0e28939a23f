"""A process that sweeps until nothing is left of a window, and then says how late each dive was recorded."""

from __future__ import annotations

import json
import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import event, func, select

from service.clock import WallClock
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import due
from service.store.engine import open_engine
from service.store.tables import DiveRow
from workers.running import collect_seldom

EVERY_S = 0.05
GIVES_UP_AFTER_S = 240.0


def main(url: str, told: Path, begins: datetime, count: int) -> None:
    """Sweep, and keep since when each was due and until when its transaction had committed."""
    collect_seldom()  # as every worker does
    engine = open_engine(url)
    service = Service(engine, WallClock(), "https://dive.example", f"sweeper-{os.getpid()}")
    claimed: list[datetime] = []
    lines = told.open("a", encoding="utf-8")
    whole = due.claim

    def claim(*given: Any, **named: Any) -> Any:
        found = whole(*given, **named)
        claimed[:] = [one.due_at for one in found]
        return found

    due.claim = claim

    def committed(_: Any) -> None:
        now = datetime.now(UTC)
        if claimed:
            # Written as it goes, so that whoever is killed has told what was done.
            print(json.dumps([(now - at).total_seconds() for at in claimed]), file=lines, flush=True)
        claimed.clear()

    event.listen(engine, "commit", committed)
    last = begins + timedelta(seconds=GIVES_UP_AFTER_S)
    while datetime.now(UTC) < last:
        sweep(service)
        time.sleep(EVERY_S)
        if datetime.now(UTC) > begins + timedelta(seconds=10) and not _left(service):
            return


def _left(service: Service) -> int:
    open_ = select(func.count()).select_from(DiveRow).where(DiveRow.phase.not_in(("alert", "distress")))
    return service.read(lambda session: session.execute(open_).scalar_one())


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), datetime.fromisoformat(sys.argv[3]), int(sys.argv[4]))
