"""What an engineer would otherwise use for deadlines: a Celery task with an ETA for each, all settings as they come."""

from __future__ import annotations

import os

from celery import Celery

from tests.bench.handled import handle

app = Celery("eta_tasks", broker=os.environ["BENCH_BROKER_URL"])
app.conf.task_acks_late = bool(os.environ.get("BENCH_ACKS_LATE"))
app.task(handle, name="handle", ignore_result=True)
