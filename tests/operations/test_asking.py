"""Asking a gateway whether it has an alarm whose outcome is unknown, before it goes again."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.operations import asking, settling
from service.operations.carrying import Courier
from service.operations.gateway import CannotTell, Found, Lookup, NotFound, Outgoing, ReceiptState
from service.operations.parcels import Parcel
from service.operations.settling import Heard
from service.store import outbox
from service.store.outbox import NewMessage
from service.store.tables import DiveRow
from tests.operations.stage import (
    ANNA,
    CLEO,
    CLUB,
    ScriptedGateway,
    Stage,
    Taken,
    lose_the_answer,
    plan_of,
    time_out,
)

HALF_A_MINUTE = timedelta(seconds=31)


@dataclass
class AskedGateway(ScriptedGateway):
    """A gateway that answers questions by a script, and counts them."""

    answer: Callable[[AskedGateway, Outgoing], Lookup] = field(default=lambda gateway, text: gateway.truth(text))
    questions: list[str] = field(default_factory=list)

    def look_up(self, message: Outgoing, _since: datetime) -> Lookup:
        """Do what the script says."""
        self.questions.append(message.to)
        return self.answer(self, message)

    def truth(self, text: Outgoing) -> Lookup:
        """What its journal says."""
        found = [one for one in self.taken if one.reference == text.reference]
        return Found(found[-1].provider_id) if found else NotFound()


def cannot_tell(_: AskedGateway, __: Outgoing) -> Lookup:
    """It has no list."""
    return CannotTell("no list")


def break_down(_: AskedGateway, __: Outgoing) -> Lookup:
    """Break the promise never to raise."""
    raise RuntimeError("a fault in the gateway's own code")


@contextmanager
def asked(stage: Stage) -> Iterator[AskedGateway]:
    """A dive whose alert is about to be queued, and a first gateway that can be asked."""
    stage.dive_in()
    stage.wait(minutes=64, step=timedelta(minutes=64))
    first = AskedGateway("first", stage.clock, stage.first.counter)
    first.taken = stage.first.taken
    stage.first = first
    stage.courier.close()
    stage.courier = Courier(stage.service, [first, stage.second])
    stage.sleep(1)
    yield first
    first.numbers.clear()
    stage.text(ANNA, "out 2")


def alerts(stage: Stage) -> list[Taken]:
    """The alerts that gateways took for the first contact."""
    return [taken for taken in stage.journal if taken.to == CLEO and "OVERDUE:" in taken.body]


@pytest.mark.parametrize(
    ("answer", "copies"),
    [(AskedGateway.truth, ["first"]), (cannot_tell, ["first", "second"]), (break_down, ["first", "second"])],
)
def test_what_got_through_is_adopted_where_the_gateway_can_tell(
    stage: Stage, answer: Callable[[AskedGateway, Outgoing], Lookup], copies: list[str]
) -> None:
    """The line was cut after it was taken: people receive it once, and twice where nobody knows."""
    with asked(stage) as first:
        first.numbers[CLEO], first.answer = lose_the_answer, answer

        stage.turn()

        assert [one.gateway for one in alerts(stage)] == copies
        assert first.questions == [CLEO]


def test_what_was_lost_on_the_way_goes_at_once(stage: Stage) -> None:
    """The gateway says that it does not have it: the other one takes it in the same turn."""
    with asked(stage) as first:
        first.numbers[CLEO] = time_out

        stage.turn()

        assert [one.gateway for one in alerts(stage)] == ["second"]


@pytest.mark.parametrize("taken", [True, False])
def test_a_carrier_that_vanished_is_made_up_for_by_asking(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, *, taken: bool
) -> None:
    """Killed between call and record: half a minute later the gateway is asked, and only what it lacks goes again."""
    with asked(stage) as first:
        if not taken:
            first.numbers[CLEO] = time_out
        with monkeypatch.context() as broken:
            broken.setattr(Courier, "_record", lambda *_: (_ for _ in ()).throw(MemoryError("killed here")))
            stage.turn()
        first.questions.clear()

        stage.wait(HALF_A_MINUTE, step=HALF_A_MINUTE)

        assert first.questions[:1] == [CLEO]
        assert [one.gateway for one in alerts(stage)] == (["first"] if taken else ["second"])
        [message] = [one for one in stage.messages(the_dive(stage)) if one.step.startswith("alert-")]
        assert message.state == "handed"


def test_what_failed_while_its_gateway_was_asked_is_not_taken_for_handed_over(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A carrier that stood still writes down that it was taken, a receipt that it failed: so it goes again."""
    kept: list[tuple[Parcel, Heard]] = []

    def thaws(gateway: AskedGateway, text: Outgoing) -> Lookup:
        [(parcel, heard)] = kept
        stage.courier._settling.record(parcel, heard)
        stage.receipt(alerts(stage)[0], ReceiptState.FAILED, code="30005")
        return gateway.truth(text)

    with asked(stage) as first:
        with monkeypatch.context() as frozen:
            frozen.setattr(Courier, "_record", lambda _, parcel, heard: kept.append((parcel, heard)))
            stage.turn()
        first.answer = thaws

        stage.wait(HALF_A_MINUTE, step=HALF_A_MINUTE)
        stage.wait(HALF_A_MINUTE, step=HALF_A_MINUTE)

        assert [one.gateway for one in alerts(stage)] == ["first", "second"]


@contextmanager
def answered_late(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], None]]:
    """The alarm has gone by both gateways; when called, the first says what it has, and that is written down."""
    monkeypatch.setattr(asking, "WITHIN_S", 0.05)
    free = threading.Event()

    def answer_late(gateway: AskedGateway, text: Outgoing) -> Lookup:
        assert free.wait(20)
        return gateway.truth(text)

    with asked(stage) as first:
        first.numbers[CLEO], first.answer = lose_the_answer, answer_late
        stage.turn()
        before = accepted(stage)

        def answers() -> None:
            free.set()
            # The courier's thread writes its find down by itself.
            assert stage.until(lambda: accepted(stage) == before + 1)

        yield answers


def accepted(stage: Stage) -> int:
    """How many attempts of the only dive were accepted so far."""
    return stage.kinds(stage.dive(the_dive(stage))).count("attempt:accepted")


def test_an_answer_that_comes_too_late_keeps_nothing_waiting_and_still_counts(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It goes again meanwhile; what the first gateway then says of its own copy is known to be ours."""
    stage = unchecked  # two copies, and in the end no outcome that is unknown: the checker would take it for a fault
    with answered_late(stage, monkeypatch) as answers:
        assert [one.gateway for one in alerts(stage)] == ["first", "second"]

        answers()
        stage.receipt(alerts(stage)[0], ReceiptState.DELIVERED)

        assert stage.message(the_dive(stage), "contact-0", "alert").state == "delivered"


def test_a_receipt_amid_an_answer_that_comes_too_late_counts_from_the_next_sweep(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes before anybody knows whose copy it is of, and is kept for whoever finds that out."""
    stage = unchecked  # as above
    with answered_late(stage, monkeypatch) as answers:
        stage.receipt(alerts(stage)[0], ReceiptState.DELIVERED)
        assert stage.message(the_dive(stage), "contact-0", "alert").state == "handed"

        answers()
        stage.turn()

        assert stage.message(the_dive(stage), "contact-0", "alert").state == "delivered"


def test_nobody_is_asked_about_what_is_not_urgent(stage: Stage) -> None:
    """A reply that may have got through is not sent again anyway."""
    with asked(stage) as first:
        first.numbers[ANNA] = lose_the_answer

        stage.text(ANNA, "status")

        assert first.questions == []


def the_dive(stage: Stage) -> str:
    """The id of the only dive."""
    return stage.service.read(lambda session: session.execute(select(DiveRow.id)).scalar_one())


def test_an_earlier_sending_is_no_answer_about_a_later_one(unchecked: Stage) -> None:
    """A gateway that names the copy that failed has not said that it has the one it is asked about."""
    stage = unchecked  # whose gateways have not taken what they are said to have
    with asked(stage) as first:
        stage.turn()
        [taken] = alerts(stage)
        stage.service.write(lambda session: outbox.take_back(session, taken.reference, stage.clock.at))
        [again] = stage.courier._claims.claim("urgent", 1).parcels
        doubt = replace(again, gateway=first)

        assert again.message.id == taken.reference
        assert not stage.courier._settling.adopt(doubt, taken.provider_id)
        assert stage.courier._settling.adopt(doubt, "another-1")


def test_of_two_that_are_lost_in_the_same_words_an_id_of_the_gateway_is_ones_alone(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its list has one of two alarms, and both are asked about at once: taken for both, the other would never go."""
    stage = unchecked  # as above
    doubts = two_in_the_same_words(stage)
    other_is_done = threading.Event()

    def follow(*_: object) -> None:
        other_is_done.wait(0.5)  # each stays in the middle of its transaction for as long as the other one may take

    def adopt(doubt: Parcel) -> bool:
        adopted = stage.courier._settling.adopt(doubt, "first-9")
        other_is_done.set()
        return adopted

    monkeypatch.setattr(settling, "follow", follow)
    with ThreadPoolExecutor(2) as both:
        assert sorted(both.map(adopt, doubts)) == [False, True]


def two_in_the_same_words(stage: Stage) -> list[Parcel]:
    """Two alarms that are on their way to one number, of two dives, neither of which they name."""
    for dive in [stage.dive_in(plan_of(number, [CLEO])) for number in (1, 2)]:
        stage.service.write(partial(queue_alarm, dive.id, stage.clock.at))
    parcels = stage.courier._claims.claim("urgent", 2).parcels
    assert len(parcels) == 2
    return list(parcels)


def queue_alarm(dive_id: str, now: datetime, session: Session) -> None:
    """An alarm whose words are those of any other dive."""
    words = {"kind": "distress", "priority": 0, "step": "plainest", "body": "SERVICE FAULT", "segments": 1}
    to = {"club_id": CLUB, "dive_id": dive_id, "person_key": "contact-0", "name": "Cleo Marsh", "phone": CLEO}
    assert outbox.queue(session, NewMessage(**to, **words, queued_at=now, due_at=now))


def by_words(first: AskedGateway, text: Outgoing) -> Lookup:
    """What a list of messages says that knows no ids of ours: the last with that number and these words."""
    found = [one for one in first.taken if (one.to, one.body) == (text.to, text.body)]
    return Found(found[-1].provider_id) if found else NotFound()


def test_the_same_words_of_before_are_no_answer_about_the_message_that_repeats_them(stage: Stage) -> None:
    """Contacts are told to call rescue again and again in one wording: one that was lost must not pass for the last."""
    with asked(stage) as first:
        first.answer = by_words
        stage.wait(minutes=15)
        told = [one for one in stage.journal if one.to == CLEO and "CALL RESCUE NOW" in one.body]
        first.numbers[CLEO] = time_out

        stage.wait(minutes=10)

        again = [one for one in stage.journal if one.to == CLEO and "CALL RESCUE NOW" in one.body][len(told) :]
        assert [one.gateway for one in told] == ["first"]
        assert [(one.gateway, one.body) for one in again] == [("second", told[0].body)]
        assert CLEO in first.questions
