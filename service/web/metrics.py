"""Figures from the database: they survive restarts, and are the same whichever of many processes is asked.

So they are no counters of a process: after old messages are deleted the histogram counts fewer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from prometheus_client.core import GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import ColumnElement, Float, case, extract, func, select, type_coerce
from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.operations.canary_dive_health import canary_dives
from service.operations.gateway import Described
from service.operations.gateway_health import gateway_health, what_was_loud
from service.operations.health import Lateness
from service.operations.pages import health
from service.operations.recovering import asking
from service.operations.service import Service
from service.operations.snapshotting import KeeperFiles, snapshot_age
from service.store.outbox import DELIVERED, EXPIRED, FAILED, HANDED, LEASED, QUEUED
from service.store.tables import DiveRow, MessageRow
from service.web.canary_dive_metrics import canary_dive_metrics
from service.web.gateway_metrics import gateway_metrics

LATENESS_BUCKETS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0)
MICROSECONDS = 1_000_000
MESSAGE_STATES = (QUEUED, LEASED, HANDED, DELIVERED, FAILED, EXPIRED)

_AGES = {
    "oldest_due_s": ("linetender_oldest_due_seconds", "How late the oldest due dive is; 0 when none is due."),
    "oldest_urgent_s": ("linetender_oldest_urgent_seconds", "How long the oldest urgent message waits; 0 for none."),
    "canary_age_s": ("linetender_canary_age_seconds", "Since the last canary came through broker and worker."),
    "sweep_age_s": ("linetender_sweep_age_seconds", "Since the last whole sweep."),
}
_NOTHING_IS_ZERO = ("oldest_due_s", "oldest_urgent_s")


class Figures(Collector):
    """Collects all figures of one service, at each scrape."""

    def __init__(self, service: Service, gateways: Sequence[Described], keeper: KeeperFiles | None = None) -> None:
        self._service = service
        self._gateways = gateways
        self._keeper = keeper

    def collect(self) -> Iterator[Metric]:
        """What is known; with the database away only that it is."""
        state = health(self._service)
        up = "1 when the database answers and has the current schema."
        yield GaugeMetricFamily("linetender_database_up", up, value=float(state.lateness is not None))
        yield from _standing_in(self._keeper)
        if state.lateness is None:
            return
        yield from _ages(state.lateness)
        age_s, _ = snapshot_age(self._service)
        if age_s is not None:
            words = "Since the keeper last wrote the snapshot from which it alarms while the database is gone."
            yield GaugeMetricFamily("linetender_snapshot_age_seconds", words, value=age_s)
        words = "1 while divers are asked after a restore, and the clock alerts no contact."
        yield GaugeMetricFamily("linetender_asking_divers", words, value=float(asking(self._service) is not None))
        counted = self._service.read(_count)
        yield _by("linetender_dives", "Dives by phase, without drills.", "phase", list(Phase), counted.dives)
        yield _by("linetender_messages", "Messages by state.", "state", MESSAGE_STATES, counted.messages)
        yield _histogram(counted.lateness)
        yield from gateway_metrics(gateway_health(self._service, self._gateways), what_was_loud(self._service))
        yield from canary_dive_metrics(canary_dives(self._service), self._service.clock.now())


@dataclass(frozen=True, slots=True)
class _Counted:
    dives: dict[str, int]
    messages: dict[str, int]
    lateness: list[tuple[str, tuple[int, ...], int, float]]  # kind, up to each bucket, all, sum in seconds


def _ages(lateness: Lateness) -> Iterator[Metric]:
    for field, (name, words) in _AGES.items():
        seconds: float | None = getattr(lateness, field)
        if seconds is None and field in _NOTHING_IS_ZERO:
            seconds = 0.0
        # What never happened has no age: the figure is left out, and an alert on its absence works.
        if seconds is not None:
            yield GaugeMetricFamily(name, words, value=seconds)


def _standing_in(keeper: KeeperFiles | None) -> Iterator[Metric]:
    """Known without a database, of the keeper of this machine alone."""
    if keeper is not None:
        words = "1 while what this machine's keeper told without the database is not in it yet."
        yield GaugeMetricFamily("linetender_standing_in", words, value=float(keeper.journal.exists()))


def _by(name: str, words: str, label: str, values: Any, counts: dict[str, int]) -> Metric:
    family = GaugeMetricFamily(name, words, labels=[label])
    for value in values:
        family.add_metric([str(value)], counts.get(str(value), 0))
    return family


def _histogram(rows: list[tuple[str, tuple[int, ...], int, float]]) -> Metric:
    words = "From the moment a message's step was due until a gateway had taken it, by kind, without drills."
    family = HistogramMetricFamily("linetender_lateness_seconds", words, labels=["kind"])
    for kind, counts, total, seconds in rows:
        buckets: list[tuple[str, float]] = [
            (str(bound), count) for bound, count in zip(LATENESS_BUCKETS_S, counts, strict=True)
        ]
        family.add_metric([kind], [*buckets, ("+Inf", total)], sum_value=seconds)
    return family


def _count(session: Session) -> _Counted:
    drills = select(DiveRow.id).where(DiveRow.drill)
    dives = session.execute(select(DiveRow.phase, func.count()).where(~DiveRow.drill).group_by(DiveRow.phase))
    messages = session.execute(select(MessageRow.state, func.count()).group_by(MessageRow.state))
    late_s = _lateness_s(session)
    within = [func.sum(case((late_s <= bound, 1), else_=0)) for bound in LATENESS_BUCKETS_S]
    handed = (
        select(MessageRow.kind, func.count(), func.sum(late_s), *within)
        .where(MessageRow.handed_at.is_not(None), func.coalesce(MessageRow.dive_id, "").not_in(drills))
        .group_by(MessageRow.kind)
        .order_by(MessageRow.kind)
    )
    return _Counted(
        dives=dict(iter(dives)),
        messages=dict(iter(messages)),
        lateness=[
            (kind, tuple(map(int, counts)), int(total), float(seconds))
            for kind, total, seconds, *counts in session.execute(handed)
        ],
    )


def _lateness_s(session: Session) -> ColumnElement[Any]:
    """Seconds from due to handed. SQLite keeps times as whole microseconds, PostgreSQL subtracts to an interval."""
    row = MessageRow
    if session.get_bind().dialect.name == "sqlite":
        due, handed = type_coerce(row.due_at, Float), type_coerce(row.handed_at, Float)
        return (handed - due) / MICROSECONDS
    return extract("epoch", row.handed_at - row.due_at)
