"""What is no longer to go out: which messages of which dives, and none that somebody is just handing over."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from service.domain.dive.events import AlarmRaised, Closed, Outcome
from service.store import dives, leases, outbox, superseding
from service.store.superseding import Overtaken
from service.store.tables import MessageRow
from tests.store.examples import BY_ANNA, CLEO, NOW, add_dive, apply, filed, message, minutes, queued, started

ME = "courier-1"
URGENT = 1


@pytest.fixture
def dive(session: Session) -> Session:
    """A session in which the dives d1 and d2 exist."""
    add_dive(session)
    add_dive(session, filed("d2", "11", "22"))
    return session


def lease(session: Session, *message_ids: str, begun: bool = False) -> None:
    """These are leased for 30 s, without an attempt or with one."""
    found = [one for one in leases.waiting(session, NOW, 99) if one.id in message_ids]
    leases.lease(session, found, ME, NOW, 30.0, message_ids if begun else ())


def expired(session: Session) -> set[str]:
    """The steps of what is not to go out any more."""
    of_both = [*outbox.of_dive(session, "d1"), *outbox.of_dive(session, "d2")]
    gone = [one for one in of_both if one.state == "expired"]
    assert all((one.lease_owner, one.lease_until_at, one.in_flight) == (None, None, False) for one in gone)
    return {one.step for one in gone}


def as_usual(session: Session, begins: str, **changes: object) -> None:
    """Four messages whose steps begin so: one waits, one is leased, one is being handed over, one is handed."""
    for state in ("waits", "leased", "flying"):
        queued(session, f"{begins}-{state}", **changes)
    ids = {one.step: one.id for one in outbox.of_dive(session, str(changes.get("dive_id", "d1")))}
    lease(session, ids[f"{begins}-leased"])
    lease(session, ids[f"{begins}-flying"], begun=True)
    handed = queued(session, f"{begins}-handed", **changes)
    lease(session, handed)
    assert outbox.mark_handed(session, handed, ME, "north", "SM1", NOW)


@pytest.mark.parametrize(
    ("phase", "gone"),
    [
        ("filed", {"at_reopening"}),
        ("in_water", {"at_reopening"}),
        ("alert", {"at_reopening", "at_alarm"}),
        ("closed", {"at_close"}),
    ],
)
def test_what_was_given_back_goes_by_where_its_dive_is_now(dive: Session, phase: str, gone: set[str]) -> None:
    """Another dive is none of its business, nor is what it was not asked about, or is in somebody's hands."""
    kinds = {"at_close": 1, "at_reopening": 2, "at_alarm": 5, "never": 4}
    ids = [queued(dive, name, priority=priority) for name, priority in kinds.items()]
    queued(dive, "not asked about", priority=kinds[min(gone)])
    leased = queued(dive, "leased", priority=kinds[min(gone)])
    lease(dive, leased)
    one = add_dive(dive, filed("d3", "33", "44"))
    other = queued(dive, "other", priority=kinds["at_close"], dive_id="d3")
    apply(dive, apply(dive, one, started()), AlarmRaised(at=NOW, by=BY_ANNA))
    after(dive, phase)

    count = superseding.expire_moved_on(
        dive, [*ids, leased, other], {kinds["at_close"]}, {kinds["at_reopening"]}, {kinds["at_alarm"]}, NOW
    )

    assert (expired(dive), count) == (gone, len(gone))


def after(session: Session, phase: str) -> None:
    """The dive d1 is brought into that phase."""
    one = dives.get(session, "d1")
    assert one is not None
    if phase == "filed":
        return
    one = apply(session, one, started())
    if phase == "alert":
        apply(session, one, AlarmRaised(at=NOW, by=BY_ANNA))
    if phase == "closed":
        apply(session, one, Closed(at=NOW, by=BY_ANNA, outcome=Outcome.SURFACED), due_at=None)


def test_of_what_it_is_asked_about_only_what_waits_is_kept_back(dive: Session) -> None:
    """Whoever has one in hand sends it, or finds out by itself."""
    asked, _ = queued(dive, "asked"), queued(dive, "not asked")
    leased = queued(dive, "leased")
    lease(dive, leased)

    assert superseding.expire_these(dive, [asked, leased], NOW) == 1

    assert expired(dive) == {"asked"}


def test_what_is_no_longer_so_goes_by_the_name_of_its_step(dive: Session) -> None:
    """Of that dive alone; what is being handed over is followed by what is so now."""
    as_usual(dive, "uncalled")
    queued(dive, "called-uncalled")
    queued(dive, "uncalled-elsewhere", dive_id="d2")

    assert superseding.expire_steps(dive, ["d1"], "uncalled-", NOW) == 2

    assert expired(dive) == {"uncalled-waits", "uncalled-leased"}


def test_what_moved_on_takes_only_what_is_in_nobodys_hands(dive: Session) -> None:
    """What is leased without an attempt has not left; what is handed over is with its gateway."""
    as_usual(dive, "alert")

    assert superseding.expire_superseded(dive, ["d1", "d2"], {URGENT}, NOW) == 2

    assert expired(dive) == {"alert-waits", "alert-leased"}


def test_answers_that_an_event_overtook_are_named_with_whose_they_were(dive: Session) -> None:
    """Every answer of one dive, and of another those whose steps begin so; nothing but answers."""
    every = queued(dive, "answer-7", kind="reply", priority=4)
    queued(dive, "news-7", kind="news", priority=6)
    some = queued(dive, "status_1-8", kind="reply", priority=4, dive_id="d2")
    queued(dive, "statusx1-8", kind="reply", priority=4, dive_id="d2")
    flying = queued(dive, "answer-9", kind="reply", priority=4)
    lease(dive, flying, begun=True)

    found = superseding.expire_answers(dive, {"": ["d1"], "status_": ["d2"], "extended": []}, NOW)

    assert found == sorted(
        [Overtaken(every, "d1", "contact-0", CLEO), Overtaken(some, "d2", "contact-0", CLEO)],
        key=lambda one: one.message_id,
    )
    assert expired(dive) == {"answer-7", "status_1-8"}
    assert superseding.expire_answers(dive, {"": []}, NOW) == []


def test_what_a_vanished_carrier_held_expires_with_its_lease(dive: Session) -> None:
    """Not before: it may be handing it over. What waits for its next try is looked at when that comes."""
    too_late_at = NOW + timedelta(seconds=10)
    held = queued(dive, "held", expires_at=too_late_at)
    lease(dive, held, begun=True)
    queued(dive, "next try", expires_at=too_late_at, not_before_at=NOW + minutes(1))

    assert superseding.expire_overdue(dive, NOW + timedelta(seconds=29)) == 0
    assert superseding.expire_overdue(dive, NOW + timedelta(seconds=30)) == 1
    assert expired(dive) == {"held"}
    assert superseding.expire_overdue(dive, NOW + minutes(1)) == 1
    assert expired(dive) == {"held", "next try"}


def test_the_attempt_of_a_carrier_that_vanished_ends_with_its_message(dive: Session) -> None:
    """Nobody claims the message any more, and so it was under way for ever. One whose lease holds is its carrier's."""
    too_late_at = NOW + timedelta(seconds=10)
    vanished, at_work = (
        queued(dive, "vanished", expires_at=too_late_at),
        queued(dive, "at work", expires_at=too_late_at),
    )
    for message_id, ends_at in ((vanished, NOW), (at_work, NOW + minutes(1))):
        lease(dive, message_id)
        outbox.begin_attempt(dive, message_id, "north", ME, NOW)
        dive.get_one(MessageRow, message_id).lease_until_at = ends_at
        dive.flush()

    assert superseding.expire_overdue(dive, NOW + minutes(1) - timedelta(seconds=1)) == 1

    [lost], [held] = outbox.attempts_of(dive, vanished), outbox.attempts_of(dive, at_work)
    assert (lost.outcome, lost.detail, lost.ended_at) == ("unknown", leases.LOST, NOW + timedelta(seconds=59))
    assert (held.outcome, held.ended_at) == (None, None)
    outbox.finish_attempt(dive, lost.id, "accepted", None, None, "SM1", NOW + minutes(2))
    [late] = outbox.attempts_of(dive, vanished)
    assert (late.outcome, late.detail) == ("accepted", outbox.UNKNOWN_AT_FIRST)


def test_fresher_news_takes_the_place_of_nothing_else(dive: Session) -> None:
    """Neither of another dive, person or way, nor of another step, nor of what is just being handed over."""
    queued(dive, "alert-1")
    others = {
        "alert-2": {"person": "contact-1"},
        "alert-3": {"channel": "call"},
        "alert-4": {"dive_id": "d2"},
        "alert_call-5": {},
        "alertx-6": {},
    }
    for step, changes in others.items():
        queued(dive, step, **changes)
    flying = queued(dive, "alert-7")
    lease(dive, flying, begun=True)
    newer = [message("alert-8", rank=3), message("alert-9", person="contact-1", dive_id="d2", rank=3)]

    placed = superseding.in_place_of_waiting(dive, newer, ("alert",), NOW)

    assert expired(dive) == {"alert-1"}
    assert [(one.step, one.rank) for one in placed] == [("alert-8", 0), ("alert-9", 3)]
    assert superseding.in_place_of_waiting(dive, [], ("alert",), NOW) == []


def test_fresher_news_never_goes_later_than_it_would_by_itself(dive: Session) -> None:
    """What it replaces was due later, and to a contact further behind."""
    queued(dive, "alert-1", rank=3, due_at=NOW + minutes(1))

    [placed] = superseding.in_place_of_waiting(dive, [message("alert-2", rank=1)], ("alert",), NOW)

    assert (placed.rank, placed.due_at) == (1, NOW)
