"""The club's figures for a period: tables, the charts above them, and each table as CSV. It changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.tables_csv import to_csv
from service.operations.admin_roles import AdminRole
from service.operations.figures import ALARMS_MAX, Figures, Period, figures_of, site_names
from service.web.context import web
from service.web.desk.figure_tables import tables_of
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_figures", __name__)

RANGES: Final = (("30", "Last 30 days"), ("12m", "Last 12 months"), ("own", "Own dates"))
_DAYS: Final = 30


@dataclass(frozen=True, slots=True)
class Chosen:
    """What was chosen, as typed, and the period that it makes; None with what is wrong."""

    values: dict[str, str]
    period: Period | None
    wrong: str = ""


@pages.get("/admin/figures")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The figures of the chosen period."""
    chosen = _chosen(_today())
    found = None if chosen.period is None else _figures(chosen.period, chosen.values["site"])
    page = render_template(
        "desk/figures.html",
        chosen=chosen,
        ranges=RANGES,
        sites=site_names(web().service, desk().admin.club_id),
        found=found,
        tables=() if found is None else tables_of(found),
        alarms_max=ALARMS_MAX,
    )
    return page, 200 if found is not None else 422


@pages.get("/admin/figures.csv")
@at_desk(AdminRole.VIEWER)
def table() -> ResponseReturnValue:
    """One table of them, `?table=`, for a spreadsheet. The first one, where none is named."""
    chosen = _chosen(_today())
    if chosen.period is None:
        abort(422, chosen.wrong)
    tables = tables_of(_figures(chosen.period, chosen.values["site"]))
    wanted = request.args.get("table", tables[0].key)
    found = next((one for one in tables if one.key == wanted), None) or abort(404)
    name = f"{found.key}-{chosen.period.first}-{chosen.period.last}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(to_csv(found.head, found.rows), mimetype="text/csv", headers=headers)


def _today() -> date:
    now: datetime = web().service.clock.now()
    return now.astimezone(ZoneInfo(desk().admin.zone)).date()


def _figures(period: Period, code: str) -> Figures:
    return figures_of(web().service, desk().admin.club_id, period, code or None) or abort(404)


def _chosen(today: date) -> Chosen:
    values = {name: request.args.get(name, "")[:20] for name in ("range", "first", "last", "site")}
    values["range"] = values["range"] if values["range"] in dict(RANGES) else RANGES[0][0]
    try:
        return Chosen(values, _period(values, today))
    except ValueError as error:
        return Chosen(values, None, str(error))


def _period(values: dict[str, str], today: date) -> Period:
    if values["range"] == "30":
        return Period(today - timedelta(days=_DAYS - 1), today)
    if values["range"] == "12m":
        # The 29th of February has no day of its own a year before.
        # 28: what every month has, so that a year ago is a day too.
        return Period((today.replace(day=1) if today.day > 28 else today).replace(year=today.year - 1), today)  # noqa: PLR2004
    try:
        first, last = date.fromisoformat(values["first"]), date.fromisoformat(values["last"])
    except ValueError:
        raise ValueError("Give both days, such as 2027-06-01.") from None
    return Period(first, last)
