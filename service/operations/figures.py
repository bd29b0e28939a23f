"""The figures of a club for a period: what became of its dives, how quickly people answered, and what arrived.

Drills, the daily canary dive among them, are in none. A quantile is that of Hyndman and Fan, "Sample Quantiles in
Statistical Packages", The American Statistician 50 (1996) 361-365, definition 7: linear between the values that are
there, as `statistics.quantiles` has it by the method "inclusive".
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.delivery import MessageState
from service.domain.dive.events import Outcome
from service.domain.grace import Step
from service.operations.service import Service
from service.store import clubs, figures, sites
from service.store.figures import AlarmedDive, Cohort, DiveCounts, Sent, Trace

PERIOD_MAX: Final = timedelta(days=731)  # two years, one of them with a leap day
ALARMS_MAX: Final = 5_000
TIMES_MAX: Final = 20_000
_DAYS_MAX, _WEEKS_MAX = 35, 190  # as long as bars of a day, or of a week, have room
_ALARM_STEPS: Final = {Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN}
_DISTRESS_STEPS: Final = {Step.DISTRESS, Step.DISTRESS_AGAIN}
_LATENESS: Final = (
    ("Alerts and distress", ("alert", "distress")),
    ("Stand-downs", ("stand_down",)),
    ("Reminders", ("reminder",)),
    ("Start notices", ("start_notice",)),
    ("Answers", ("reply",)),
)


class Ending(StrEnum):
    """What became of an alarm."""

    RESCUE_CALLED = "rescue_called"
    OPEN = "open"
    PARTY_OUT = "party_out"
    CONTACT_SAFE = "contact_safe"
    ADMIN_SAFE = "admin_safe"
    ASHORE_SAFE = "ashore_safe"  # by whom is erased
    NOT_DIVING = "not_diving"


NO_TRIES: Final[Mapping[str, int]] = MappingProxyType({})
FALSE_ALARMS: Final = (
    Ending.PARTY_OUT,
    Ending.CONTACT_SAFE,
    Ending.ADMIN_SAFE,
    Ending.ASHORE_SAFE,
    Ending.NOT_DIVING,
)


@dataclass(frozen=True, slots=True)
class Alarm:
    """The first alarm of a dive. `by_clock`: nobody raised it before it was due. An instant that never came is None."""

    at: datetime
    by_clock: bool
    due_out_at: datetime | None
    answered_at: datetime | None
    over_at: datetime | None
    distress: bool
    hand_up: bool
    assumed: bool
    ending: Ending


@dataclass(frozen=True, slots=True)
class Spread:
    """Of so many lengths in seconds: the median, the 90th percentile, the longest; None where there are none."""

    count: int
    median: float | None
    ninetieth: float | None
    longest: float | None


@dataclass(frozen=True, slots=True)
class Bucket:
    """A day, a week or a month of the period: its first day, and its dives filed, those overdue, and alarms."""

    first: date
    filed: int
    overdue: int
    alarms: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """Messages of one gateway or way: taken and confirmed, taken and not confirmed, failed, not sent.

    `refused` and `unknown` are tries that a gateway refused, or whose outcome nobody knows; a way has none of its own.
    `receipt` is the time from taken to confirmed.
    """

    name: str
    delivered: int
    unconfirmed: int
    failed: int
    unsent: int
    refused: int
    unknown: int
    receipt: Spread


@dataclass(frozen=True, slots=True)
class Figures:
    """All of a period. `cut`: there were more alarms than are looked at, so those of the latest dives are counted."""

    dives: DiveCounts
    buckets: tuple[Bucket, ...]
    bucket_name: str
    alarms: int
    by_person: int
    distress: int
    hand_ups: int
    endings: dict[Ending, int]
    assumed: int
    times: tuple[tuple[str, Spread], ...]
    lateness: tuple[tuple[str, Spread], ...]
    gateways: tuple[Delivery, ...]
    ways: tuple[Delivery, ...]
    cut: bool

    @property
    def false_alarms(self) -> int:
        """Alarms that ended well without rescue being called."""
        return sum(self.endings.get(ending, 0) for ending in FALSE_ALARMS)


@dataclass(frozen=True, slots=True)
class Period:
    """From the beginning of one day to the end of another, in the club's zone. Raises ValueError with what is wrong."""

    first: date
    last: date

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise ValueError("The last day is before the first.")
        if self.last - self.first >= PERIOD_MAX:
            raise ValueError("Choose two years at most.")


def spread(seconds: Sequence[float]) -> Spread:
    """The quantiles of some lengths."""
    if not seconds:
        return Spread(0, None, None, None)
    if len(seconds) == 1:
        return Spread(1, seconds[0], seconds[0], seconds[0])
    tenths = statistics.quantiles(seconds, n=10, method="inclusive")
    return Spread(len(seconds), statistics.median(seconds), tenths[8], max(seconds))


def site_names(service: Service, club_id: str) -> list[tuple[str, str]]:
    """Code and name of the club's sites in use."""
    return service.read(lambda session: [(site.code, site.name) for site in sites.listing(session, club_id)])


def figures_of(service: Service, club_id: str, period: Period, code: str | None = None) -> Figures | None:
    """The figures; None where the club has no such site. Raises LookupError for no such club."""
    now = service.clock.now()

    def look(session: Session) -> Figures | None:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        site = None if code is None else sites.by_code(session, club_id, code)
        if code is not None and site is None:
            return None
        since, until = _begin(period.first, club.zone), _begin(period.last + timedelta(days=1), club.zone)
        cohort = Cohort(club_id, since, until, now, None if site is None else site.id)
        return _counted(session, cohort, period, club.zone)

    return service.read(look)


def _begin(day: date, zone: str) -> datetime:
    return datetime.combine(day, time(), ZoneInfo(zone))


def _counted(session: Session, cohort: Cohort, period: Period, zone: str) -> Figures:
    found = figures.alarmed_dives(session, cohort, ALARMS_MAX + 1)
    dives = found[:ALARMS_MAX]
    ids = [dive.id for dive in dives]
    logs, told = figures.traces(session, ids), figures.alarm_steps(session, ids)
    alarms = {dive: alarm for dive in dives if (alarm := alarm_of(dive, logs[dive.id], told[dive.id])) is not None}
    sent, tries = figures.sent(session, cohort), figures.tries(session, cohort)
    receipts = figures.receipt_seconds(session, cohort, TIMES_MAX)
    name, buckets = _buckets(session, cohort, period, zone, alarms)
    return Figures(
        dives=figures.dive_counts(session, cohort),
        buckets=buckets,
        bucket_name=name,
        alarms=len(alarms),
        by_person=sum(not alarm.by_clock for alarm in alarms.values()),
        distress=sum(alarm.distress for alarm in alarms.values()),
        hand_ups=sum(alarm.hand_up for alarm in alarms.values()),
        endings=dict(Counter(alarm.ending for alarm in alarms.values())),
        assumed=sum(alarm.assumed and alarm.ending in FALSE_ALARMS for alarm in alarms.values()),
        times=_times(alarms.values()),
        lateness=tuple(
            (words, spread(figures.lateness_seconds(session, cohort, kinds, TIMES_MAX))) for words, kinds in _LATENESS
        ),
        gateways=_by_gateway(sent, tries, receipts),
        ways=_by_way(sent, receipts),
        cut=len(found) > ALARMS_MAX,
    )


def alarm_of(dive: AlarmedDive, traces: Sequence[Trace], told: Iterable[str] = ()) -> Alarm | None:
    """The first alarm of a dive by its log; None where there was none.

    Where the detail is erased, the clock's alarm is the first step at or after the raise-by time: what comes before
    goes to the party.
    """
    raised_at = next((one.at for one in traces if one.kind == "event:alarm_raised"), None)
    clock_at = next((one.at for one in traces if _is_alarm(one, dive.raise_by_at)), None)
    known = [at for at in (raised_at, clock_at) if at is not None]
    if not known:
        return None
    at = min(known)
    steps = {one.step for one in traces if one.at >= at} | set(told)
    answers = [one.at for one in traces if one.at >= at and _is_answer(one, dive)]
    closings = [one for one in traces if one.kind == "event:closed" and one.at >= at]
    return Alarm(
        at=at,
        by_clock=raised_at is None or (clock_at is not None and clock_at <= raised_at),
        due_out_at=dive.due_out_at,
        answered_at=min(answers, default=None),
        over_at=dive.closed_at if dive.closed_at is not None and dive.closed_at >= at else None,
        distress=bool(steps & _DISTRESS_STEPS),
        hand_up=Step.HAND_UP in steps,
        assumed=any(one.assumed for one in traces),
        ending=_ending(dive, traces, closings[-1] if closings else None),
    )


def _is_alarm(trace: Trace, raise_by_at: datetime | None) -> bool:
    if trace.kind not in {"event:step_taken", "event:told_meanwhile"}:
        return False
    if trace.step is None:
        return raise_by_at is not None and trace.at >= raise_by_at
    return trace.step in _ALARM_STEPS


def _is_answer(trace: Trace, dive: AlarmedDive) -> bool:
    """The first word of somebody ashore; a stand-down is always theirs, also where it is erased whose it was."""
    if trace.kind in {"event:acknowledged", "event:rescue_called"}:
        return True
    return trace.kind == "event:closed" and dive.outcome == Outcome.STOOD_DOWN


def _ending(dive: AlarmedDive, traces: Sequence[Trace], closing: Trace | None) -> Ending:
    if any(one.kind == "event:rescue_called" for one in traces):
        return Ending.RESCUE_CALLED
    if dive.closed_at is None:
        return Ending.OPEN
    if dive.outcome == Outcome.SURFACED:
        return Ending.PARTY_OUT
    if dive.outcome == Outcome.STOOD_DOWN:
        by = None if closing is None else closing.actor_role
        return {"contact": Ending.CONTACT_SAFE, "admin": Ending.ADMIN_SAFE}.get(by or "", Ending.ASHORE_SAFE)
    return Ending.NOT_DIVING


def _times(alarms: Iterable[Alarm]) -> tuple[tuple[str, Spread], ...]:
    alarms = list(alarms)
    to_alert = [(one.at - one.due_out_at).total_seconds() for one in alarms if one.by_clock and one.due_out_at]
    to_answer = [(one.answered_at - one.at).total_seconds() for one in alarms if one.answered_at]
    to_end = [(one.over_at - one.at).total_seconds() for one in alarms if one.over_at]
    return (
        ("Due out to alert", spread(to_alert)),
        ("Alert to first answer", spread(to_answer)),
        ("Alert to stand-down", spread(to_end)),
    )


def _buckets(
    session: Session, cohort: Cohort, period: Period, zone: str, alarms: dict[AlarmedDive, Alarm]
) -> tuple[str, tuple[Bucket, ...]]:
    name, firsts = _firsts(period)
    ends = [_begin(day, zone) for day in [*firsts[1:], period.last + timedelta(days=1)]]
    begins = [cohort.since, *ends[:-1]]
    counted = figures.by_bucket(session, cohort, ends)
    filed_at = [dive.filed_at for dive in alarms]
    return name, tuple(
        Bucket(first, filed, late, sum(begin <= at < end for at in filed_at))
        for first, begin, end, (filed, late) in zip(firsts, begins, ends, counted, strict=True)
    )


def _firsts(period: Period) -> tuple[str, list[date]]:
    """The first days of the days, weeks or months of a period: as many as there is room for."""
    days = (period.last - period.first).days + 1
    if days <= _DAYS_MAX:
        return "day", [period.first + timedelta(days=place) for place in range(days)]
    if days <= _WEEKS_MAX:
        return "week", [period.first + timedelta(days=place) for place in range(0, days, 7)]
    firsts, day = [period.first], period.first
    while (day := (day.replace(day=1) + timedelta(days=32)).replace(day=1)) <= period.last:
        firsts.append(day)
    return "month", firsts


def _by_gateway(
    sent: Sequence[Sent], tries: dict[str, dict[str, int]], receipts: Sequence[tuple[str, str, float]]
) -> tuple[Delivery, ...]:
    names = sorted({one.gateway for one in sent if one.gateway} | tries.keys())
    return tuple(
        _delivery(
            name,
            [one for one in sent if one.gateway == name],
            [seconds for gateway, _, seconds in receipts if gateway == name],
            tries.get(name, {}),
        )
        for name in names
    )


def _by_way(sent: Sequence[Sent], receipts: Sequence[tuple[str, str, float]]) -> tuple[Delivery, ...]:
    return tuple(
        _delivery(
            way,
            [one for one in sent if one.channel == way],
            [seconds for _, channel, seconds in receipts if channel == way],
        )
        for way in sorted({one.channel for one in sent})
    )


def _delivery(
    name: str, sent: Sequence[Sent], seconds: Sequence[float], tries: Mapping[str, int] = NO_TRIES
) -> Delivery:
    stands = Counter[str]()
    for one in sent:
        stands[one.state] += one.count
    return Delivery(
        name=name,
        delivered=stands[MessageState.DELIVERED],
        unconfirmed=stands[MessageState.HANDED],
        failed=stands[MessageState.FAILED],
        unsent=stands[MessageState.EXPIRED] + stands[MessageState.QUEUED] + stands[MessageState.LEASED],
        refused=tries.get("refused", 0),
        unknown=tries.get("unknown", 0),
        receipt=spread(seconds),
    )
