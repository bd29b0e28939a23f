"""Days on which people say things, rules of ours fail, and the log is kept; as in `scenarios`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from sqlalchemy import update

from service.domain.grace import FinishNeeds, GracePeriods
from service.operations.closing import close_dive
from service.operations.filing import PlanFiled, file_plan
from service.operations.place_reading import PlaceRequest
from service.store import admins, clubs, log, seed
from service.store.codec import dump_grace
from service.store.tables import ClubRow, DiveRow
from tests.checker.theatre import MINUTE, go, lay, work
from tests.operations.stage import (
    ANNA,
    BRAM,
    BY_ANNA,
    CLEO,
    EDDA,
    FINN,
    STRANGER,
    Stage,
    plan_of,
)

# What people say


def anybody_says_anything(stage: Stage) -> Iterator[None]:
    """Strangers, contacts and divers say what is not theirs to say, with codes that are none and codes of others."""
    dive = stage.dive_in()
    other = stage.dive_in(plan_of(1))
    for sender, words in (
        (STRANGER, "OUT"),
        (STRANGER, "SAFE 2"),
        (STRANGER, f"OK {dive.reference}"),
        (STRANGER, "311388"),
        (CLEO, "OUT 2"),
        (CLEO, "late 20"),
        (CLEO, "OK"),
        (ANNA, "OUT 123456"),
        (ANNA, "OUT 1"),
        (ANNA, "OUT"),
        (ANNA, "OUT 3"),
        (ANNA, "late 90"),
        (ANNA, f"late 10 {other.finish_code}"),
        (BRAM, "we are nearly out 2"),
    ):
        stage.text(sender, words)
        work(stage, 2)
    yield
    for _ in range(6):
        stage.text(STRANGER, "OUT 123456")
        work(stage, 1)
    yield
    go(stage, 66, 2 * MINUTE)
    for sender, words in ((ANNA, "OK"), (STRANGER, "CALLED"), (EDDA, "SAFE 2"), (ANNA, "late 20"), (CLEO, "SAFE 1")):
        stage.text(sender, words)
        work(stage, 2)
    yield
    stage.text(STRANGER, f"OUT {other.finish_code}")
    stage.text(STRANGER, f"OUT {dive.finish_code} 2")
    go(stage, 2)
    for _ in range(8):
        stage.text("+447700900555", "hello")
        work(stage, 5)


def a_text_comes_twice(stage: Stage) -> Iterator[None]:
    """From one gateway, from two, unsigned, and answered by two processes; one is stored and nobody answers it."""
    stage.dive_in()
    go(stage, 20, 10 * MINUTE)
    for gateway in ("first", "second", "first"):
        inbound_id = stage.receive(ANNA, "late 10", gateway=gateway, provider_id="late")
        if inbound_id is not None:
            stage.answer(inbound_id)
            stage.answer(inbound_id)
    stage.receive(ANNA, "out 2", authentic=False)
    for text_id in range(1, 5):
        stage.answer(text_id)
    yield
    work(stage)
    stage.receive(ANNA, "status")
    work(stage, 20)
    work(stage, 20)
    yield
    stage.text(ANNA, "out 2")
    stage.receive(ANNA, "out 2", provider_id="once more")
    go(stage, 2)


def words_lay_somewhere(stage: Stage) -> Iterator[None]:
    """A finish of the dive before, or of before a call for help, and an OK of before the alarm change nothing."""
    stage.dive_in()
    stage.sleep(30)
    stage.text(CLEO, "SAFE 2")
    stage.sleep(30)
    stage.dive_in()
    stage.sleep(10)
    lay(stage, ANNA, "OUT 2", 30 * MINUTE)
    yield
    stage.text(ANNA, "SOS")
    work(stage)
    lay(stage, ANNA, "OUT 2", 5 * MINUTE)
    yield
    lay(stage, CLEO, "OK", 8 * MINUTE)
    yield
    stage.text(ANNA, "OUT 2")
    go(stage, 2)
    stage.file()
    stage.text(BRAM, "OUT 2")
    yield
    stage.text(BRAM, "NOGO")
    go(stage, 2)


def a_club_asks_for_the_code(stage: Stage) -> Iterator[None]:
    """Where a finish needs its code, the party's own phone is not enough."""
    grace = dump_grace(GracePeriods(finish_needs=FinishNeeds.CODE))
    stage.service.write(lambda session: session.execute(update(ClubRow).values(grace=grace)))
    dive = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    stage.text(ANNA, "NOGO")
    stage.text(ANNA, "SAFE 2")
    yield
    stage.text(ANNA, f"OUT 2 {dive.finish_code}")
    go(stage, 2)


def two_clubs_dive(stage: Stage) -> Iterator[None]:
    """One phone dives for one club and is a contact of another; each number is its own club's."""
    theirs = "+447700900981"
    stage.service.write(lambda session: _another_club(session, stage, theirs))
    place = PlaceRequest("The ledge", (47.2, -20.5), seed.RESCUE_CALL)
    request = plan_of(1, [ANNA, CLEO], site=place, exits=())
    filed = file_plan(stage.service, "ledge-end", request, replace(BY_ANNA, name="Diver 1"))
    assert isinstance(filed, PlanFiled), filed
    ours = stage.dive_in()
    stage.courier.carry()
    for sender, words in (
        ("+447700900101", f"IN {filed.dive.start_code}"),
        (ANNA, f"OUT {filed.dive.finish_code}"),
        (FINN, f"SAFE 1 {filed.dive.reference}"),
    ):
        stage.text(sender, words)
    _say(stage, "+447700900101", f"IN {filed.dive.start_code}", theirs)
    yield
    go(stage, 66, 3 * MINUTE)
    stage.text(FINN, f"SAFE 1 {filed.dive.reference}")
    stage.text(ANNA, f"SAFE 1 {filed.dive.reference}")
    _say(stage, ANNA, f"OUT 2 {ours.finish_code}", theirs)
    yield
    stage.text(ANNA, "OUT 2")
    _say(stage, ANNA, "SAFE 1", theirs)
    go(stage, 2)


def _another_club(session: Any, stage: Stage, number: str) -> None:
    clubs.add(
        session,
        club_id="ledge-end",
        name="Ledge End Divers",
        country="GB",
        zone=seed.ZONE,
        receiving_number=number,
        rescue_call=seed.RESCUE_CALL,
    )
    admins.add(
        session,
        club_id="ledge-end",
        name="Gia Moor",
        email="gia@example.org",
        phone="+447700900982",
        password_hash="nobody signs in",
        now=stage.clock.at,
    )


def _say(stage: Stage, sender: str, body: str, receiver: str) -> None:
    inbound_id = stage.receive(sender, body, receiver=receiver)
    assert inbound_id is not None
    stage.answer(inbound_id)
    stage.courier.carry()


# Faults of ours, and what is kept


def a_dive_cannot_be_read(stage: Stage) -> Iterator[None]:
    """Its contacts hear the plainest alarm again and again, and an admin ends it by the bare columns."""
    dive = stage.dive_in()
    go(stage, 45, 15 * MINUTE)
    broken = update(DiveRow).where(DiveRow.id == dive.id).values(state='{"broken": true}')
    stage.service.write(lambda session: session.execute(broken))
    go(stage, 14)
    yield
    go(stage, 14)
    yield
    close_dive(stage.service, dive.id, "Finn Aske", "all came to the clubhouse")
    go(stage, 2)


def the_log_is_kept(stage: Stage) -> Iterator[None]:
    """Checkpoints while it grows, and the erasure of a dive that is long over."""
    first = stage.dive_in()
    stage.service.write(lambda session: log.checkpoint(session, stage.clock.at))
    stage.text(ANNA, "out 2")
    stage.sleep(5)
    stage.dive_in()
    stage.service.write(lambda session: log.checkpoint(session, stage.clock.at))
    yield
    stage.service.write(lambda session: log.erase_details(session, first.id))
    stage.service.write(lambda session: log.checkpoint(session, stage.clock.at))
    stage.text(ANNA, "out 2")
