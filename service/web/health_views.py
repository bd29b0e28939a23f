"""Signs of life for whoever watches: up, ready, and figures."""

from __future__ import annotations

from pathlib import Path

from flask import Blueprint, Response, abort
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest

from service.clock import clock_seconds
from service.gateways.describing import described
from service.operations.pages import Health, health
from service.operations.snapshotting import KeeperFiles
from service.web.access import Who, is_operator, open_to
from service.web.context import web
from service.web.metrics import Figures

signs = Blueprint("health", __name__)

SWEEP_FRESH_S = 10.0  # the sweep comes every second, the keeper takes over after ten


@signs.get("/healthz")
@open_to(Who.ANYONE)
def healthz() -> Response:
    """The process is up; it says nothing about the rest."""
    return _plain(200, "up")


@signs.get("/readyz")
@open_to(Who.ANYONE)
def readyz() -> Response:
    """Whether this installation can do its duty; if not, why, a line each."""
    reasons = not_ready(health(web().service))
    return _plain(503, "\n".join(reasons)) if reasons else _plain(200, "ready")


def not_ready(state: Health) -> list[str]:
    """What keeps the installation from its duty, in words for whoever runs it."""
    if not state.database_ok:
        return ["the database does not answer"]
    if not state.schema_current or state.lateness is None:
        return ["the database is not at the current schema: run linetender migrate; linetender doctor says more"]
    age_s, fresh_s = state.lateness.sweep_age_s, clock_seconds(web().service.clock, SWEEP_FRESH_S)
    if age_s is None:
        return ["no sweep has run yet: no clock is watched"]
    if age_s > fresh_s:
        return [f"the last sweep was {age_s:.0f} s ago: no clock is watched"]
    return []


@signs.get("/metrics")
@open_to(Who.OPERATOR)
def metrics() -> Response:
    """Figures in the Prometheus text format, worked out from the database at this moment."""
    if not is_operator():
        abort(403)
    registry = CollectorRegistry()
    settings = web().settings
    keeper = None if settings.spool_dir is None else KeeperFiles(Path(settings.spool_dir), settings.secret_key)
    registry.register(Figures(web().service, described(web().gateways), keeper))
    return Response(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)


def _plain(status: int, words: str) -> Response:
    return Response(f"{words}\n", status=status, content_type="text/plain; charset=utf-8")
