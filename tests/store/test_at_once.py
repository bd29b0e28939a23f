"""Two at once: claims, saves, chains and messages under real threads, on both databases."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import TypeVar

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.domain.dive.events import AlarmRaised, Closed, Outcome
from service.domain.dive.evolve import evolve
from service.store import dives, due, inbound, log, outbox, superseding
from service.store.dives import CodeMatch, StaleDive
from service.store.engine import open_engine, reading, run, writing
from tests.servers.rewound import Rewound
from tests.store.examples import (
    ANNA,
    BY_ANNA,
    NOW,
    NUMBER,
    add_dive,
    apply,
    claim,
    filed,
    message,
    minutes,
    started,
)

T = TypeVar("T")
WORKERS = 3


def all_at_once(work: Callable[[int], T], count: int = WORKERS) -> list[T]:
    """Do the work in so many threads that begin together; raises what any of them raised."""
    barrier = threading.Barrier(count)

    def begin(number: int) -> T:
        barrier.wait(timeout=30)
        return work(number)

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(begin, range(count)))


def test_no_due_dive_is_claimed_by_two_sweeps(engine: Engine) -> None:
    """Each of many due dives is decided by exactly one of the sweeps that run at once."""
    with writing(engine) as session:
        for number in range(30):
            add_dive(session, filed(f"d{number}", f"{number}1", f"{number}2"))

    def sweep(_: int) -> list[str]:
        mine: list[str] = []
        while True:

            def batch(session: Session) -> list[str]:
                claimed = due.claim(session, NOW, 4)
                for one in claimed:
                    dives.postpone(session, one.dive_id, NOW + minutes(5))
                return [one.dive_id for one in claimed]

            found = run(engine, batch)
            if not found:
                return mine
            mine += found

    taken = [dive_id for mine in all_at_once(sweep) for dive_id in mine]

    assert len(taken) == 30
    assert len(set(taken)) == 30


def test_no_message_is_leased_to_two_couriers(engine: Engine) -> None:
    """A text is in one pair of hands at a time."""
    with writing(engine) as session:
        add_dive(session)
        for number in range(30):
            outbox.queue(session, message(step=f"step-{number}"))

    def carry(number: int) -> list[str]:
        mine: list[str] = []
        while True:
            found = run(engine, lambda session: claim(session, NOW, 4, f"courier-{number}", 30))
            if not found:
                return mine
            mine += [one.id for one in found]

    taken = [message_id for mine in all_at_once(carry) for message_id in mine]

    assert len(taken) == 30
    assert len(set(taken)) == 30


def test_of_two_who_decide_at_once_one_decides_anew(engine: Engine) -> None:
    """A finish and a start on the same dive both count, one after the other; nothing is overwritten."""
    with writing(engine) as session:
        add_dive(session)
    events = [started(), Closed(at=NOW, by=BY_ANNA, outcome=Outcome.SURFACED)]
    read = threading.Barrier(2)
    tries: list[int] = []

    def decide(number: int) -> None:
        def work(session: Session) -> None:
            with reading(engine) as before:
                dive = dives.get(before, "d1")
            assert dive is not None
            tries.append(number)
            dives.save(session, evolve(dive, events[number]), expected_version=dive.version, next_due_at=None)

        with reading(engine) as before:
            dive = dives.get(before, "d1")
        assert dive is not None
        read.wait(timeout=30)
        try:
            with writing(engine) as session:
                after = evolve(dive, events[number])
                dives.save(session, after, expected_version=dive.version, next_due_at=None)
        except StaleDive:
            run(engine, work)

    all_at_once(decide, 2)

    assert len(tries) == 1
    with reading(engine) as session:
        dive = dives.get(session, "d1")
    assert dive is not None
    assert dive.version == 3
    assert dive.started_at is not None
    assert dive.closed_at is not None


def test_a_chain_stays_whole_when_many_append_at_once(engine: Engine) -> None:
    """Sequence numbers have no gap and no double, and every hash follows the one before."""

    def write(number: int) -> list[int]:
        def append(session: Session) -> int:
            return log.append(session, chain="club:x", at=NOW, kind="note", actor={"name": str(number)}, detail={})

        return [run(engine, append) for _ in range(10)]

    numbers = sorted(seq for mine in all_at_once(write) for seq in mine)

    assert numbers == list(range(1, 31))
    with reading(engine) as session:
        assert log.verify_chain(session, "club:x") is None


def test_one_cause_queues_one_message_however_many_try(engine: Engine) -> None:
    """Two sweeps that come to the same step queue it once."""
    with writing(engine) as session:
        add_dive(session)

    made = all_at_once(lambda _: run(engine, lambda session: outbox.queue(session, message())))

    assert sum(one is not None for one in made) == 1


def test_a_text_that_is_brought_twice_at_once_is_stored_once(engine: Engine) -> None:
    """Providers deliver the same webhook twice."""
    text = inbound.NewText(
        gateway="north",
        provider_id="SM1",
        sender=ANNA,
        receiver=NUMBER,
        body="IN",
        raw={},
        received_at=NOW,
        authentic=True,
    )

    def bring(_: int) -> int | None:
        return run(engine, lambda session: inbound.store(session, text))

    assert sum(one is not None for one in all_at_once(bring)) == 1


def test_checkpoints_made_at_once_form_one_line(engine: Engine) -> None:
    """Two keepers on two hosts are harmless."""
    with writing(engine) as session:
        add_dive(session)

    all_at_once(lambda _: run(engine, lambda session: log.checkpoint(session, NOW)))

    with reading(engine) as session:
        assert log.verify_all(session) == []


@pytest.mark.postgres
def test_a_dive_that_somebody_holds_is_passed_over_and_still_seen(postgres_engine: Engine) -> None:
    """A hung transaction hides its dive from the sweeps, but not from the plain look of the keeper."""
    with writing(postgres_engine) as session:
        add_dive(session, filed("held", "11", "12"), due_at=NOW - minutes(1))
        add_dive(session, filed("free", "21", "22"))

    with writing(postgres_engine) as hung:
        dives.lock(hung, "held")
        with writing(postgres_engine) as session:
            assert [one.dive_id for one in due.claim(session, NOW, 10)] == ["free"]
            assert dives.oldest_due(session, NOW) == NOW - minutes(1)


@pytest.mark.postgres
def test_a_message_that_a_courier_holds_keeps_no_other_waiting(postgres_engine: Engine) -> None:
    """One that hangs in the middle of a claim has what it was about to take, and nobody stands behind it."""
    with writing(postgres_engine) as session:
        add_dive(session)
        outbox.queue(session, message(step="held"))
        outbox.queue(session, message(step="free", rank=1))

    with writing(postgres_engine) as hung:
        assert [one.step for one in claim(hung, NOW, 1, "courier-1", 30)] == ["held"]
        with writing(postgres_engine) as session:
            assert [one.step for one in claim(session, NOW, 9, "courier-2", 30)] == ["free"]


@pytest.mark.postgres
def test_a_message_can_be_queued_for_a_dive_that_somebody_holds(postgres_engine: Engine) -> None:
    """The plainest alarm needs no lock, so a hung transaction cannot keep it back."""
    with writing(postgres_engine) as session:
        add_dive(session, filed("d1"))

    with writing(postgres_engine) as hung:
        dives.lock(hung, "d1")
        with writing(postgres_engine) as session:
            assert outbox.queue(session, message()) is not None


@pytest.mark.postgres
def test_waiting_for_a_held_dive_ends_after_the_lock_time_out(postgres_engine: Engine) -> None:
    """Nobody hangs behind a hung transaction."""
    with writing(postgres_engine) as session:
        add_dive(session, filed("d1"))

    with writing(postgres_engine) as hung:
        dives.lock(hung, "d1")
        with pytest.raises(OperationalError, match="lock timeout"), writing(postgres_engine) as session:
            dives.lock(session, "d1")


def test_a_dive_that_closes_while_its_message_is_leased_keeps_it_from_going_out(engine: Engine) -> None:
    """Leased is not yet sent: the courier's next step finds that the message is no longer its own."""
    with writing(engine) as session:
        add_dive(session)
        outbox.queue(session, message())
        claimed = claim(session, NOW, 10, "courier", 30)

    with writing(engine) as session:
        assert superseding.expire_superseded(session, ["d1"], {1}, NOW) == 1

    with pytest.raises(outbox.LeaseLost), writing(engine) as session:
        outbox.begin_attempt(session, claimed[0].id, "north", "courier", NOW + timedelta(seconds=1))


@pytest.mark.postgres
def test_reopening_survives_a_code_that_is_taken_at_the_same_moment(prepared_postgres: Rewound) -> None:
    """The other dive is not committed yet when the code is looked up, and is when it is written."""
    patient = open_engine(prepared_postgres.url, lock_timeout_s=30, statement_timeout_s=30)
    over = Closed(at=NOW, by=BY_ANNA, outcome=Outcome.SURFACED)
    with writing(patient) as session:
        apply(session, add_dive(session, filed("d1", "11", "22")), over, due_at=None)

    def reopen() -> None:
        with writing(patient) as session:
            dive = dives.lock(session, "d1")
            assert dive is not None
            apply(session, dive, AlarmRaised(at=NOW, by=BY_ANNA, reopened=True))

    with ThreadPoolExecutor(1) as pool:
        with writing(patient) as filing:
            add_dive(filing, filed("d2", "22", "33"))
            reopening = pool.submit(reopen)
            wait_until_somebody_waits(patient)
        reopening.result(timeout=30)

    with reading(patient) as session:
        assert dives.by_code(session, NUMBER, "22") == CodeMatch("d2", "start", live=True)
        dive = dives.get(session, "d1")
    assert dive is not None
    assert dive.alarmed
    patient.dispose()


def wait_until_somebody_waits(engine: Engine) -> None:
    """Return once a transaction waits for another; fails after 30 s."""
    waiting = text("SELECT count(*) FROM pg_locks WHERE NOT granted")
    give_up_at = time.monotonic() + 30
    while time.monotonic() < give_up_at:
        with reading(engine) as session:
            if session.execute(waiting).scalar_one():
                return
        time.sleep(0.02)
    raise AssertionError("nobody waits")
