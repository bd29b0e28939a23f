"""Reading what scripts send: strictly, with words for what is wrong."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import msgspec
from flask import request

from service.domain.dive.commands import ReportFix
from service.domain.people import Actor
from service.domain.place.fix import Source
from service.domain.place.position import Position
from service.operations.plan_reading import GasRequest, NamedPhone, PlaceRequest, PlanRequest
from service.store.codec import learn
from service.store.dive_lists import Place
from service.web.api_shapes import FixIn, PersonIn, PlaceIn, PlanIn
from service.web.problems import FieldProblem
from service.web.typed import position_read

Shape = TypeVar("Shape")

JSON_TYPE = "application/json"
KEY_HEADER = "Idempotency-Key"
KEY_LONGEST = 200

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PLACE = re.compile(r"(?P<filed_us>[0-9]{1,16})-(?P<dive_id>[0-9a-z]{1,40})")
_AT = re.compile(r" - at `\$?\.?(?P<path>[^`]*)`$")
_EXPECTED = re.compile(r"Expected `(?P<wanted>[^`]+)`(?:, got `(?P<got>[^`]+)`)?$")
_MISSING = re.compile(r"Object missing required field `(?P<field>[^`]+)`$")
_UNKNOWN = re.compile(r"Object contains unknown field `(?P<field>[^`]+)`$")


class PlanProblem(ValueError):  # noqa: N818 - it becomes a problem document
    """What was sent cannot be read."""

    def __init__(self, status: int, title: str, detail: str, errors: tuple[FieldProblem, ...] = ()) -> None:
        super().__init__(detail)
        self.status = status
        self.title = title
        self.detail = detail
        self.errors = errors


def read_body(shape: type[Shape], *, may_be_empty: bool = False) -> Shape:
    """The body of the request in that shape. Raises PlanProblem (400, 415 or 422)."""
    body = request.get_data()
    if not body and may_be_empty:
        body = b"{}"
    elif request.mimetype != JSON_TYPE:
        raise PlanProblem(415, "Unsupported Media Type", f"Send JSON, with Content-Type {JSON_TYPE}.")
    try:
        # Once without a shape: what breaks off is no JSON, whatever its beginning looks like.
        msgspec.json.decode(body)
        learn(shape)
        return msgspec.json.decode(body, type=shape)
    except msgspec.ValidationError as fault:
        error = field_problem(str(fault))
        raise PlanProblem(422, "Not understood", error.words, (error,)) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise PlanProblem(400, "Bad Request", "The body is not JSON that can be read.") from None


def read_key() -> str | None:
    """The key that makes a request one of a kind, None without one. Raises PlanProblem (400)."""
    key = request.headers.get(KEY_HEADER)
    if key is None or (0 < len(key) <= KEY_LONGEST and key.isascii() and key.isprintable()):
        return key
    raise PlanProblem(400, "Bad Request", f"{KEY_HEADER} is 1 to {KEY_LONGEST} printable ASCII characters.")


def read_query(*names: str) -> dict[str, str]:
    """What stands behind the question mark: each of those once at most. Raises PlanProblem (422)."""
    errors = [FieldProblem(name, "There is no such field.") for name in request.args if name not in names]
    errors += [FieldProblem(name, "Give it once.") for name in names if len(request.args.getlist(name)) > 1]
    if errors:
        raise PlanProblem(422, "Not understood", errors[0].words, tuple(errors))
    return request.args.to_dict()


def place_of(after: str) -> Place:
    """The place in the list of dives behind which a page begins, as `next` names it. Raises PlanProblem (422)."""
    found = _PLACE.fullmatch(after)
    if found is None:
        error = FieldProblem("after", "Take the whole address that the page before gives as next.")
        raise PlanProblem(422, "Not understood", error.words, (error,))
    return Place(_EPOCH + timedelta(microseconds=int(found["filed_us"])), found["dive_id"])


def field_problem(said: str) -> FieldProblem:
    """The decoder's sentence as a field and plain words."""
    at = _AT.search(said)
    path, sentence = (at["path"], said[: at.start()]) if at else ("", said)
    if missing := _MISSING.match(sentence):
        return FieldProblem(_join(path, missing["field"]), "This field is needed.")
    if unknown := _UNKNOWN.match(sentence):
        return FieldProblem(_join(path, unknown["field"]), "There is no such field.")
    if "datetime" in sentence or "RFC3339" in sentence:
        return FieldProblem(path, "Give a time with its offset from UTC, such as 2027-06-01T10:00:00+01:00.")
    if expected := _EXPECTED.match(sentence):
        got = f", not {expected['got']}" if expected["got"] else ""
        return FieldProblem(path, f"Give {expected['wanted'].replace(' | ', ' or ')}{got}.")
    return FieldProblem(path, f"{sentence}.")


def place_text(place: Place) -> str:
    """A place as an address has it."""
    return f"{(place.filed_at - _EPOCH) // timedelta(microseconds=1)}-{place.dive_id}"


def _join(path: str, field: str) -> str:
    return f"{path}.{field}" if path else field


def _utc(at: datetime | None, field: str) -> datetime | None:
    try:
        return None if at is None else at.astimezone(UTC)
    except OverflowError:
        error = FieldProblem(field, "Give a time of this century.")
        raise PlanProblem(422, "Not understood", error.words, (error,)) from None


def _diver(person: PersonIn) -> NamedPhone:
    return NamedPhone(person.name, person.phone, language=person.language)


def request_of(plan: PlanIn) -> PlanRequest:
    """The plan as the operations take it. Raises PlanProblem for a time at the end of time."""
    site = plan.site
    if isinstance(site, PlaceIn):
        wanted: str | PlaceRequest = PlaceRequest(site.name, site.position, site.rescue_call)
    else:
        wanted = site
    gas = plan.gas
    return PlanRequest(
        site=wanted,
        run_time_min=plan.run_time_min,
        lead=_diver(plan.lead),
        contacts=tuple(NamedPhone(one.name, one.phone, one.email, one.language, one.ways) for one in plan.contacts),
        party=tuple(map(_diver, plan.party)),
        time_in_at=_utc(plan.time_in, "time_in"),
        grace_min=plan.grace_min,
        depth_m=plan.depth_m,
        gas=None if gas is None else GasRequest(gas.cylinder_l, gas.fill_bar, gas.reserve_bar, gas.surface_rate_l_min),
        exits=plan.exits,
        vehicle=plan.vehicle,
        kit=plan.kit,
        smb=plan.smb,
        notes=plan.notes,
        water_c=plan.water_c,
        medical=plan.medical,
        share_medical=plan.share_medical,
    )


def fix_of(asked: FixIn, near: Position | None, by: Actor) -> ReportFix:
    """The fix as a command; `near` is where a short plus code is looked for. Raises PlanProblem (422)."""
    at, accuracy_m = _utc(asked.at, "at"), asked.accuracy_m
    if not isinstance(asked.position, str):
        return ReportFix(by, Position(*asked.position), accuracy_m, at, Source.SCRIPT)
    try:
        reading = position_read(asked.position, near)
    except ValueError as fault:
        error = FieldProblem("position", str(fault))
        raise PlanProblem(422, "Not understood", error.words, (error,)) from None
    return ReportFix(by, reading.position, reading.accuracy_m if accuracy_m is None else accuracy_m, at, Source.SCRIPT)
