"""The answers of an alarm page as commands: what each button says, and what is typed beside it."""

from __future__ import annotations

from collections.abc import Callable

from flask import request

from service.domain.dive import Command
from service.domain.dive.commands import (
    Acknowledge,
    ReportCalled,
    ReportConditions,
    ReportFix,
    ReportOnScene,
    ReportSafe,
    TakeBackCalled,
)
from service.domain.place.fix import Source
from service.operations.pages import LinkView, link_actor
from service.web.typed import (
    UnusableError,
    count_typed,
    current_typed,
    position_typed,
    time_of_day_typed,
    wind_typed,
    words_typed,
)

INCIDENT_MAX = 60
_POSITION_MAX = 120


def answer_of(view: LinkView) -> Command:
    """The command behind the button that was pressed. Raises UnusableError."""
    make = _BUTTONS.get(request.form.get("do", ""))
    if make is None:
        raise UnusableError("Use one of the buttons. Nothing changed.")
    return make(view)


def _ok(view: LinkView) -> Command:
    return Acknowledge(link_actor(view, "I have it"))


def _called(view: LinkView) -> Command:
    incident = words_typed("incident", INCIDENT_MAX)
    return ReportCalled(link_actor(view, f"I have called rescue {incident}".strip()), incident or None)


def _not_called(view: LinkView) -> Command:
    return TakeBackCalled(link_actor(view, "Rescue was not called"))


def _safe(view: LinkView) -> Command:
    count = count_typed("count")
    return ReportSafe(link_actor(view, f"They are safe, {count}"), count=count)


def _on_scene(view: LinkView) -> Command:
    return ReportOnScene(link_actor(view, "I am at the site"))


def _seen(view: LinkView) -> Command:
    site = view.dive.plan.site
    reading = position_typed("seen_at", site.entry)
    when = time_of_day_typed("seen_when", site.zone, view.now)
    by = link_actor(view, f"I last saw them here: {words_typed('seen_at', _POSITION_MAX)}")
    return ReportFix(by, reading.position, reading.accuracy_m, when, Source.CONTACT)


def _conditions(view: LinkView) -> Command:
    return ReportConditions(link_actor(view, "What the water does"), current_typed(), wind_typed())


_BUTTONS: dict[str, Callable[[LinkView], Command]] = {
    "ok": _ok,
    "called": _called,
    "not_called": _not_called,
    "safe": _safe,
    "on_scene": _on_scene,
    "seen": _seen,
    "conditions": _conditions,
}
