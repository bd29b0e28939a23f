"""The figures of a club for a period: what became of its dives, how quickly people answered, and what arrived.

Drills, the daily canary dive among them, are in none. A quantile is that of Hyndman and Fan, "Sample Quantiles in
Statistical Packages", The American Statistician 50 (1996) 361-365, definition 7: linear between the values that are
there, as `statistics.quantiles` has it by the method "inclusive".
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import partial
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.delivery import MessageState
from service.operations.alarm_endings import FALSE_ALARMS, Alarm, Ending, alarm_of
from service.operations.service import Service
from service.store import clubs, figures, sites
from service.store.figures import AlarmedDive, Cohort, DiveCounts, Handed, Sent

YEAR_MIN, YEAR_MAX = 2000, 2999  # far from where a day in another zone has no date any more
PERIOD_MAX: Final = timedelta(days=731)  # two years, one of them with a leap day
ALARMS_MAX: Final = 2_000
HANDED_MAX: Final = 50_000
_CHUNK: Final = timedelta(days=31)
_BLOCK: Final = 200  # dives
_DAYS_MAX, _WEEKS_MAX = 35, 190  # as long as bars of a day, or of a week, have room
_LATENESS: Final = (
    ("Alerts and distress", ("alert", "distress")),
    ("Stand-downs", ("stand_down",)),
    ("Reminders", ("reminder",)),
    ("Start notices", ("start_notice",)),
    ("Answers", ("reply",)),
)


NO_TRIES: Final[Mapping[str, int]] = MappingProxyType({})


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
        if not YEAR_MIN <= self.first.year <= self.last.year <= YEAR_MAX:
            raise ValueError(f"Choose days between {YEAR_MIN} and {YEAR_MAX}.")


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
    found = service.read(lambda session: _scope(session, club_id, code))
    if found is None:
        return None
    zone, site_id = found
    since, until = _begin(period.first, zone), _begin(period.last + timedelta(days=1), zone)
    cohort = Cohort(club_id, since, until, service.clock.now(), site_id)
    return _counted(service, cohort, period, zone)


def _scope(session: Session, club_id: str, code: str | None) -> tuple[str, str | None] | None:
    """The club's zone, and the id of the site; None where the club has no such site."""
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    if code is None:
        return club.zone, None
    site = sites.by_code(session, club_id, code)
    return None if site is None else (club.zone, site.id)


def _begin(day: date, zone: str) -> datetime:
    return datetime.combine(day, time(), ZoneInfo(zone))


def _counted(service: Service, cohort: Cohort, period: Period, zone: str) -> Figures:
    """Each question is a transaction of its own, and of a month at most where it is of messages.

    On a SQLite without WAL whoever reads keeps others from writing, and no alarm may wait for figures.
    """
    found = service.read(lambda session: figures.alarmed_dives(session, cohort, ALARMS_MAX + 1))
    alarms = _alarms(service, found[:ALARMS_MAX])
    messages = _messages(service, cohort)
    ends, name, firsts = _ends(period, zone)
    bars = service.read(lambda session: figures.by_bucket(session, cohort, ends))
    return Figures(
        dives=service.read(lambda session: figures.dive_counts(session, cohort)),
        buckets=_buckets(cohort, firsts, ends, bars, [dive.filed_at for dive in alarms]),
        bucket_name=name,
        alarms=len(alarms),
        by_person=sum(not alarm.by_clock for alarm in alarms.values()),
        distress=sum(alarm.distress for alarm in alarms.values()),
        hand_ups=sum(alarm.hand_up for alarm in alarms.values()),
        endings=dict(Counter(alarm.ending for alarm in alarms.values())),
        assumed=sum(alarm.assumed and alarm.ending in FALSE_ALARMS for alarm in alarms.values()),
        times=_times(alarms.values()),
        lateness=tuple((words, spread(_late(messages, kinds))) for words, kinds in _LATENESS),
        gateways=_by_gateway(messages),
        ways=_by_way(messages),
        cut=len(found) > ALARMS_MAX,
    )


def _alarms(service: Service, dives: Sequence[AlarmedDive]) -> dict[AlarmedDive, Alarm]:
    known: dict[AlarmedDive, Alarm] = {}
    for begin in range(0, len(dives), _BLOCK):
        block = dives[begin : begin + _BLOCK]
        ids = [dive.id for dive in block]
        logs = service.read(partial(figures.traces, dive_ids=ids))
        told = service.read(partial(figures.alarm_steps, dive_ids=ids))
        known |= {dive: found for dive in block if (found := alarm_of(dive, logs[dive.id], told[dive.id])) is not None}
    return known


@dataclass(frozen=True, slots=True)
class _Messages:
    """What is known of the messages of a period."""

    sent: list[Sent]
    tries: dict[str, Counter[str]]
    handed: list[Handed]


def _messages(service: Service, cohort: Cohort) -> _Messages:
    """Month by month, the last one first; of what gateways took, so many."""
    known = _Messages([], {}, [])
    until = cohort.until
    while until > cohort.since:
        part = replace(cohort, since=max(cohort.since, until - _CHUNK), until=until)
        known.sent.extend(service.read(partial(figures.sent, cohort=part)))
        for gateway, outcomes in service.read(partial(figures.tries, cohort=part)).items():
            known.tries.setdefault(gateway, Counter()).update(outcomes)
        room = HANDED_MAX - len(known.handed)
        if room > 0:
            known.handed.extend(service.read(partial(figures.handed, cohort=part, limit=room)))
        until = part.since
    return known


def _late(messages: _Messages, kinds: Sequence[str]) -> list[float]:
    return [one.late_s for one in messages.handed if one.kind in kinds]


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


def _ends(period: Period, zone: str) -> tuple[list[datetime], str, list[date]]:
    """Where each bar ends, what it is called, and its first day."""
    name, firsts = _firsts(period)
    return [_begin(day, zone) for day in [*firsts[1:], period.last + timedelta(days=1)]], name, firsts


def _buckets(
    cohort: Cohort,
    firsts: Sequence[date],
    ends: Sequence[datetime],
    bars: Sequence[tuple[int, int]],
    alarms: Sequence[datetime],
) -> tuple[Bucket, ...]:
    begins = [cohort.since, *ends[:-1]]
    return tuple(
        Bucket(first, filed, late, sum(begin <= at < end for at in alarms))
        for first, begin, end, (filed, late) in zip(firsts, begins, ends, bars, strict=True)
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


def _by_gateway(messages: _Messages) -> tuple[Delivery, ...]:
    names = sorted({one.gateway for one in messages.sent if one.gateway} | messages.tries.keys())
    return tuple(
        _delivery(
            name,
            [one for one in messages.sent if one.gateway == name],
            [one.receipt_s for one in messages.handed if one.gateway == name and one.receipt_s is not None],
            messages.tries.get(name, NO_TRIES),
        )
        for name in names
    )


def _by_way(messages: _Messages) -> tuple[Delivery, ...]:
    return tuple(
        _delivery(
            way,
            [one for one in messages.sent if one.channel == way],
            [one.receipt_s for one in messages.handed if one.channel == way and one.receipt_s is not None],
        )
        for way in sorted({one.channel for one in messages.sent})
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
