"""What an engineer would otherwise use for deadlines: APScheduler with a job in PostgreSQL for each.

Its jobs may be added by the scheduler's own process only. So that one arms them, when a line on its standard input
says which are due from when on, and answers with what each cost in microseconds, in all and of its own time.
"""

from __future__ import annotations

import json
import os
import sys
import time
from datetime import UTC, datetime, timedelta

from apscheduler.jobstores.sqlalchemy import SQLAlchemyJobStore
from apscheduler.schedulers.background import BackgroundScheduler

from tests.bench.handled import handle


def main() -> None:
    """Run what is in the store, and arm what is asked for, until the input ends."""
    defaults = {"misfire_grace_time": None} if os.environ.get("BENCH_NO_GRACE") else {}
    store = SQLAlchemyJobStore(url=os.environ["BENCH_DATABASE_URL"])
    scheduler = BackgroundScheduler(jobstores={"default": store}, job_defaults=defaults, timezone=UTC)
    scheduler.start()
    print("ready", flush=True)
    for line in sys.stdin:
        asked = json.loads(line)
        begins = datetime.fromisoformat(asked["begins"])
        numbers = range(asked["first"], asked["end"])
        began, cpu = time.perf_counter(), time.process_time()
        for number in numbers:
            due_at = begins + timedelta(seconds=asked["each_s"] * number)
            scheduler.add_job(handle, "date", run_date=due_at, args=(number,))
        spent = time.perf_counter() - began, time.process_time() - cpu
        print(json.dumps([one / len(numbers) * 1e6 for one in spent]), flush=True)


if __name__ == "__main__":
    main()
