"""What goes into and out of the API: the one source for reading, writing and describing it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from service.domain.people import Channel
from service.domain.standing import Standing

Name = Annotated[str, Meta(min_length=1, max_length=60)]
PhoneText = Annotated[
    str, Meta(min_length=1, max_length=40, description="National where the club's country makes it clear.")
]
Words = Annotated[str, Meta(max_length=300)]
LanguageText = Annotated[
    str, Meta(min_length=2, max_length=10, description="ISO 639-1, of the messages to them. Without it the club's.")
]
EmailText = Annotated[str, Meta(min_length=3, max_length=254)]
Instant = Annotated[datetime, Meta(tz=True)]
Latitude = Annotated[float, Meta(ge=-90, le=90)]
Longitude = Annotated[float, Meta(ge=-180, le=180)]
LatLon = Annotated[tuple[Latitude, Longitude], Meta(description="WGS 84, decimal degrees: north, then east positive.")]
HeadCount = Annotated[int, Meta(ge=0, le=12)]


class Asked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a script sends; a field that is not known is refused, since it may be a mistyped one that matters."""


class PersonIn(Asked, frozen=True):
    """One of the party; the lead needs a phone."""

    name: Name
    phone: PhoneText | None = None
    language: LanguageText | None = None


class ContactIn(Asked, frozen=True):
    """A person ashore who will raise the alarm.

    `ways` are those to them, the best first. Without it: text, then call, then e-mail where there is an address; a
    landline is called. An e-mail is an extra: text or call must be among them.
    """

    name: Name
    phone: PhoneText
    email: EmailText | None = None
    language: LanguageText | None = None
    ways: Annotated[tuple[Channel, ...], Meta(max_length=3)] = ()


class PlaceIn(Asked, frozen=True):
    """A place that the club does not know."""

    name: Name
    position: LatLon
    rescue_call: Annotated[str, Meta(min_length=1, max_length=60)]


class GasIn(Asked, frozen=True):
    """One diver's gas: litres, bar, bar, litres a minute at the surface."""

    cylinder_l: Annotated[float, Meta(gt=0, le=60)]
    fill_bar: Annotated[float, Meta(gt=0, le=350)]
    reserve_bar: Annotated[float, Meta(ge=0, le=350)]
    surface_rate_l_min: Annotated[float, Meta(ge=5, le=100)]


class PlanIn(Asked, frozen=True):
    """A dive plan. `site` is a code or name that the club knows, or a place. The party is without the lead."""

    site: Annotated[str, Meta(min_length=1, max_length=60)] | PlaceIn
    run_time_min: Annotated[float, Meta(gt=0, le=1440, description="Minutes from entry to being out.")]
    lead: PersonIn
    contacts: Annotated[tuple[ContactIn, ...], Meta(min_length=1, max_length=6)]
    party: Annotated[tuple[PersonIn, ...], Meta(max_length=11)] = ()
    time_in: Instant | None = None
    grace_min: Annotated[float, Meta(gt=0, le=1440)] | None = None
    depth_m: Annotated[float, Meta(gt=0, le=100)] | None = None
    gas: GasIn | None = None
    exits: Annotated[tuple[Name, ...], Meta(max_length=10)] = ()
    vehicle: Words | None = None
    kit: Words | None = None
    smb: Words | None = None
    notes: Words | None = None
    water_c: Annotated[float, Meta(ge=-2, le=40, description="Water temperature, degrees Celsius.")] | None = None
    medical: Annotated[str, Meta(max_length=300, description="Kept only with share_medical.")] | None = None
    share_medical: Annotated[bool, Meta(description="The diver allows that rescuers read `medical`.")] = False


class StartIn(Asked, frozen=True):
    """`count`: how many go in, where that differs from the plan."""

    count: Annotated[int, Meta(ge=1, le=12)] | None = None
    position: LatLon | None = None


class FinishIn(Asked, frozen=True):
    """`count`: how many are out. Fewer than went in is no finish."""

    count: HeadCount | None = None


class ExtendIn(Asked, frozen=True):
    """One of the two. `until` is a time of day at the site."""

    minutes: Annotated[int, Meta(ge=1, le=600)] | None = None
    until: Annotated[str, Meta(pattern="^([01][0-9]|2[0-3]):[0-5][0-9]$")] | None = None


class CallOffIn(Asked, frozen=True):
    """Nothing is needed to say that nobody goes in."""


class RaiseIn(Asked, frozen=True):
    """`note` is passed on to the contacts word for word, up to 300 characters: no alarm fails for its length."""

    note: str | None = None


class FixIn(Asked, frozen=True):
    """Where the party is, or was at `at`. As text it may have any form; a short plus code is looked for at the site."""

    # The text has no Meta of its own: beside LatLon, msgspec 0.22 brings the interpreter down when garbage is collected
    # while it looks at the shape. The reader of positions bounds it.
    position: LatLon | str
    accuracy_m: Annotated[float, Meta(ge=0, description="Metres.")] | None = None
    at: Instant | None = None


class CheckOut(msgspec.Struct, frozen=True):
    """Advice about a plan that was filed all the same."""

    field: str
    words: str


class StandingOut(msgspec.Struct, frozen=True):
    """How far a contact can be relied upon, by what they said and when something last reached them."""

    key: str
    name: str
    standing: Standing


class FiledOut(msgspec.Struct, frozen=True):
    """A filed plan. The two times are null where the plan has no time in: they follow from the start.

    `page` is the address of the diver's page, for the lead alone; each answer has a new one.
    """

    id: str
    reference: str
    start_code: str
    finish_code: str
    due_out: datetime | None
    raise_by: datetime | None
    page: str
    checks: tuple[CheckOut, ...]
    standings: tuple[StandingOut, ...]


class SiteOut(msgspec.Struct, frozen=True):
    """Where the dive is. `zone` is an IANA name; all times of the API carry their offset from UTC."""

    name: str
    code: str | None
    zone: str
    position: LatLon | None
    rescue_call: str


class PersonOut(msgspec.Struct, frozen=True):
    """Somebody of the dive; `key` is theirs in events and messages."""

    key: str
    name: str
    phone: str | None
    language: str


class ContactOut(PersonOut, frozen=True):
    """A person ashore. `ways` are those by which this dive tells them, the best first."""

    email: str | None
    ways: tuple[Channel, ...]


class FixOut(msgspec.Struct, frozen=True):
    """A position of the party. `at` is when they were there, `by` whose word it is.

    `source` is one of entry, text, browser, typed, contact, script. With a `doubt` (far, future) it is kept and not
    used as the last known position.
    """

    position: LatLon
    at: datetime
    by: str
    source: str
    accuracy_m: float | None
    doubt: str | None


class CurrentOut(msgspec.Struct, frozen=True):
    """`set_deg`: degrees true towards which it runs; `drift_kn`: its speed in knots. `at`, `by`: whose word it is."""

    set_deg: float
    drift_kn: float
    at: datetime
    by: str


class WindOut(msgspec.Struct, frozen=True):
    """`from_deg`: degrees true from which it blows; `speed_kn` in knots. `at`, `by`: whose word it is."""

    from_deg: float
    speed_kn: float
    at: datetime
    by: str


class ConditionsOut(msgspec.Struct, frozen=True):
    """Current and wind as seen by somebody; null where not said. `at`, `by`: who said either of them last, and when."""

    at: datetime
    by: str
    current: CurrentOut | None
    wind: WindOut | None


class OnSceneOut(msgspec.Struct, frozen=True):
    """Who said that they are at the site, by key, and when."""

    key: str
    at: datetime


class DiveOut(msgspec.Struct, frozen=True):
    """A dive as it stands. Before the start `due_out` and `raise_by` follow from `time_in`, null without it.

    `last_position` is the latest fix without a doubt, else where they went in, null before the start. `fixes` are the
    newest 20, and the last known one whatever came after it.
    """

    id: str
    reference: str
    phase: str
    outcome: str | None
    drill: bool
    site: SiteOut
    head_count: int
    party: tuple[PersonOut, ...]
    contacts: tuple[ContactOut, ...]
    unreachable: tuple[str, ...]
    filed_at: datetime
    time_in: datetime | None
    started_at: datetime | None
    assumed_start: bool
    due_out: datetime | None
    raise_by: datetime | None
    armed: bool
    alarm_at: datetime | None
    acknowledged: tuple[str, ...]
    rescue_called_at: datetime | None
    last_position: FixOut | None
    fixes: tuple[FixOut, ...]
    conditions: ConditionsOut | None
    on_scene: tuple[OnSceneOut, ...]
    closed_at: datetime | None


class UnreadableOut(msgspec.Struct, frozen=True):
    """A dive whose state cannot be read, through a fault of the service; its contacts are alerted all the same."""

    id: str
    reference: str
    phase: str
    unreadable: bool = True


# Two objects in one list need no tag to be written, only to be read, which this never is.
_Listed = Annotated[
    Any,
    msgspec.Meta(
        extra_json_schema={
            "anyOf": [{"$ref": f"#/components/schemas/{shape.__name__}"} for shape in (DiveOut, UnreadableOut)]
        }
    ),
]


class DivesOut(msgspec.Struct, frozen=True):
    """Dives of the club, latest filed first, at most 500 at a time. One that cannot be read is a row with `unreadable`.

    Where no phase is asked for, those whose clock runs or that are in alarm come first of all, and again at their
    place. `next` is the address of the next page, null on the last.
    """

    dives: tuple[_Listed, ...]
    next: str | None


class EventOut(msgspec.Struct, frozen=True):
    """One entry of the dive's log. `actor` and `detail` are null once erased."""

    seq: int
    at: datetime
    kind: str
    actor: dict[str, Any] | None
    detail: dict[str, Any] | None


class MessageOut(msgspec.Struct, frozen=True):
    """One message of the dive. Links in `body` are cut off: they are the reader's own. A call says its `body`."""

    id: str
    to: str
    name: str
    phone: str
    channel: Channel
    kind: str
    step: str
    state: str
    body: str
    due_at: datetime
    queued_at: datetime
    handed_at: datetime | None
    delivered_at: datetime | None
    failed_reason: str | None


class DetailsOut(DiveOut, frozen=True):
    """A dive with its log, its messages, and the standing of its contacts as it is now."""

    standings: tuple[StandingOut, ...]
    events: tuple[EventOut, ...]
    messages: tuple[MessageOut, ...]
