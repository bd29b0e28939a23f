"""After an outage the log says what fell due meanwhile, and how late each was; a restored copy is found out."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations import service_log
from service.operations.recovering import begin_recovery, take_on
from service.operations.service import Service
from service.store import due, epochs, health

GAP_S = 60.0  # real seconds
LISTED_MAX = 1_000
HEARTBEAT = "sweep"


def log_gap(service: Service, now: datetime) -> None:
    """Write one entry when no sweep has been for a minute or more; the sweep that follows acts on all of it.

    A copy that was put in the place of the database has had none either. Its divers are asked first.
    """
    last = service.read(lambda session: health.heartbeat(session, HEARTBEAT))
    if last is not None and now - last.at < _gap(service):
        return
    if service.read(epochs.is_copy):
        begin_recovery(service, None if last is None else last.at)
    if last is None:
        return
    service.write(lambda session: _log_gap(service, session, now))


def beat(service: Service, session: Session, now: datetime) -> None:
    """The sign of life of a sweep, which sees first whether the database is still the one that it began on.

    A copy that was in its place within a minute has no gap by which it would be found out: it is taken on. To an older
    one, or one that says that it is a copy, none is given, so that the next sweep comes to the gap.
    """
    if epochs.is_copy(session):
        last, known = health.heartbeat(session, HEARTBEAT), epochs.current(session)
        young = last is not None and timedelta() <= now - last.at < _gap(service)
        if last is None or not young or (known is not None and known.identity == epochs.COPY):
            return
        take_on(service, session, last.at, now)
    health.beat(session, HEARTBEAT, now, service.process)


def _gap(service: Service) -> timedelta:
    return timedelta(seconds=clock_seconds(service.clock, GAP_S))


def _log_gap(service: Service, session: Session, now: datetime) -> None:
    last = health.heartbeat(session, HEARTBEAT)
    if last is None or now - last.at < _gap(service):
        return  # another sweep was quicker
    fell_due = due.listing(session, now, LISTED_MAX)
    detail = {
        "last_sweep_at": last.at.isoformat(),
        "gap_s": (now - last.at).total_seconds(),
        "fell_due": [
            {"dive": one.dive_id, "due_at": one.due_at.isoformat(), "late_s": (now - one.due_at).total_seconds()}
            for one in fell_due
        ],
    }
    service_log.note(service, session, "outage", detail, now)
    health.beat(session, HEARTBEAT, now, service.process)
