"""Signs of life: heartbeats, the canary, how late the oldest work is, and telling admins that a part is dead."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import text as sql
from sqlalchemy.orm import Session

from service.clock import SteadyClock
from service.operations import service_log
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins
from service.store import dives, health, inbound, outbox, senders

TOLD_AGAIN_AFTER = timedelta(hours=1)
CLOCKS_APART_S = 2.0
# The mark is of when somebody was last there to leave one: after a power cut that is as long ago as the cut lasted.
NOT_FOLLOWED = "a clock is behind what was seen, and alarms may be late by as long as nothing ran"
CANARIES_KEPT = timedelta(days=1)
WRONG_CODES_KEPT = timedelta(days=1)  # they count for an hour
FORGOTTEN_AT_ONCE = 500  # short transactions: SQLite has one writer, and an alarm may be waiting to be it
FORGETTING_ROUNDS_MAX = 100


@dataclass(frozen=True, slots=True)
class Lateness:
    """Ages in seconds of the clock; None where there is nothing of the kind.

    `sender_age_s`: since a sender with a rate could send again; below nothing while it may not yet.
    """

    oldest_due_s: float | None
    oldest_urgent_s: float | None
    canary_age_s: float | None
    sweep_age_s: float | None
    sender_age_s: float | None = None


def beat_heart(service: Service, name: str, detail: str | None = None) -> None:
    """Say that a part has just done its whole round."""
    now = service.clock.now()
    service.write(lambda session: health.beat(session, name, now, detail))


def send_canary(service: Service) -> int:
    """A row that has to come back through broker and worker; gives its id."""
    now = service.clock.now()

    def work(session: Session) -> int:
        health.drop_canaries(session, now - CANARIES_KEPT)
        return health.send_canary(session, now)

    return service.write(work)


def return_canary(service: Service, canary_id: int) -> None:
    """The canary came through. Twice is as good as once."""
    now = service.clock.now()
    service.write(lambda session: health.return_canary(session, canary_id, now))


def forget_wrong_codes(service: Service) -> int:
    """Delete the wrong codes that are older than a day, in short transactions; gives how many.

    More than 50,000 are left to the next time.
    """
    before = service.clock.now() - WRONG_CODES_KEPT
    forgotten = 0
    for _ in range(FORGETTING_ROUNDS_MAX):
        found = service.write(lambda session: inbound.forget_wrong_codes(session, before, FORGOTTEN_AT_ONCE))
        forgotten += found
        if found < FORGOTTEN_AT_ONCE:
            break
    return forgotten


def how_late(service: Service) -> Lateness:
    """How late the oldest due dive and the oldest urgent message are, by plain reads that see locked rows too."""
    now = service.clock.now()

    def age(at: datetime | None) -> float | None:
        return None if at is None else (now - at).total_seconds()

    def look(session: Session) -> Lateness:
        heartbeat = health.heartbeat(session, "sweep")
        return Lateness(
            oldest_due_s=age(dives.oldest_due(session, now)),
            oldest_urgent_s=age(outbox.oldest_urgent(session, now)),
            canary_age_s=age(health.last_canary_home(session)),
            sweep_age_s=age(heartbeat.at if heartbeat else None),
            sender_age_s=age(senders.last_free_at(session)),
        )

    return service.read(look)


def note_take_over(service: Service, what: str) -> None:
    """Log that the keeper does somebody else's work, and tell the admins, once an hour for the same thing."""
    now = service.clock.now()
    service.write(lambda session: _note(service, session, "take_over", what, now))
    service.nudge()


def note_not_followed(service: Service) -> None:
    """Log that we do not go by this machine's clock, and tell the admins, once an hour."""
    now = service.clock.now()
    service.write(lambda session: _note(service, session, "clock_not_followed", NOT_FOLLOWED, now))


def compare_clocks(service: Service) -> float:
    """How many seconds our clock is before (+) or behind (-) the database's; 0 with SQLite, which has ours.

    Over two seconds the admins are told: a clock that is behind makes every alarm late.
    """
    if service.engine.dialect.name == "sqlite":
        return 0.0
    with service.engine.connect() as connection:
        theirs = connection.execute(sql("SELECT clock_timestamp()")).scalar_one()
    # What alarms go by may be ahead of what the machine shows.
    ahead = service.clock.ahead() if isinstance(service.clock, SteadyClock) else timedelta(0)
    apart = float((datetime.now(theirs.tzinfo) + ahead - theirs).total_seconds())
    if abs(apart) > CLOCKS_APART_S:
        now = service.clock.now()
        service.write(
            lambda session: _note(service, session, "clocks_apart", "our clock and the database's differ", now)
        )
    return apart


def note_step(service: Service) -> timedelta:
    """How far this machine's clock was set since this was asked last; past two seconds the admins are told."""
    stepped = service.clock.stepped() if isinstance(service.clock, SteadyClock) else timedelta(0)
    if abs(stepped.total_seconds()) > CLOCKS_APART_S:
        way = "back" if stepped < timedelta(0) else "ahead"
        what = f"a machine's clock was set {way}, so alarms may come at the wrong time"
        now = service.clock.now()
        service.write(lambda session: _note(service, session, "clock_set", what, now))
    return stepped


def _note(service: Service, session: Session, kind: str, what: str, now: datetime) -> None:
    if not is_news(service, session, f"told:{kind}:{what}", now, TOLD_AGAIN_AFTER):
        return
    service_log.note(service, session, kind, {"what": what}, now, name="the keeper")
    words = f"Linetender fault, alarms go on: {what}. Please look at the service."
    tell_admins(session, f"{kind}-{now:%Y%m%dT%H%M%S}", words, now)
