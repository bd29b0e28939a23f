"""What a slow gateway takes after the word that holds is followed by that word: nobody has the older one last."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from sqlalchemy import update

from service.operations.carrying import Courier
from service.operations.gateway import Blame, Outcome, Outgoing
from service.operations.overtaken import follow
from service.operations.parcels import Claimed, Parcel
from service.operations.settling import Heard
from service.operations.sweeping import sweep
from service.store.leases import Kinds
from service.store.outbox import FAILED, LEASED, QUEUED
from service.store.tables import MessageRow
from tests.operations.stage import (
    ANNA,
    BRAM,
    CLEO,
    DOV,
    Behaviour,
    ScriptedGateway,
    Stage,
    accept,
    lose_the_answer,
    plan,
    refuse,
)

SECOND = timedelta(seconds=1)
FROM_A_CALL = pytest.mark.parametrize("ends", [accept, lose_the_answer], ids=["accepted", "unknown"])


@contextmanager
def claims_until_called(courier: Courier) -> Iterator[Callable[[], None]]:
    """The courier claims no more once that is called, nor is it about to: what is caused then is left to others.

    On a busy machine it has it already, and sends it before or after the call in which it is: nobody can say.
    """
    whole, claiming, called = courier._claims.claim, threading.Lock(), threading.Event()

    def claim(kinds: Kinds, limit: int) -> Claimed:
        with claiming:
            return Claimed() if called.is_set() else whole(kinds, limit)

    def is_called() -> None:
        with claiming:
            called.set()

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(courier._claims, "claim", claim)
        yield is_called


def slow(stage: Stage, phones: tuple[str, ...], meanwhile: Callable[[], None], ends: Behaviour) -> None:
    """Carry what waits; the first call to each of these phones ends, so, after that and after all that it causes."""
    other = Courier(stage.service, [stage.second])
    done: list[str] = []

    def call(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        del gateway.numbers[text.to]
        if not done:
            done.append(text.to)
            is_called()
            stage.clock.at += 6 * SECOND
            meanwhile()
            other.carry()
        return ends(gateway, text)

    for phone in phones:
        stage.first.numbers[phone] = call
    with claims_until_called(stage.courier) as is_called:
        stage.courier.carry()
    other.close()
    assert done


def ends_with(stage: Stage, phone: str, *words: str) -> bool:
    """Whether the last texts to a phone have these words, one each, in that order."""
    last = stage.to(phone)[-len(words) :]
    return len(last) == len(words) and all(word in body for word, body in zip(words, last, strict=True))


def kinds(stage: Stage, dive_id: str, kind: str) -> list[str]:
    """The steps of that kind to the first contact that were queued, in order."""
    return [one.step for one in stage.messages(dive_id) if (one.kind, one.person_key) == (kind, "contact-0")]


def followed(stage: Stage, dive_id: str, kind: str) -> list[str]:
    """To whom the log says that something was sent once more."""
    return [(entry.detail or {})["person"] for entry in stage.entries(stage.dive(dive_id)) if entry.kind == kind]


@FROM_A_CALL
def test_a_stand_down_that_a_gateway_took_after_the_new_alarm_is_followed_by_that_alarm(
    stage: Stage, ends: Behaviour
) -> None:
    """OUT, and 6 s later an SOS, with the stand-down still in a call: it must not be the last that they hear."""
    dive = stage.dive_in()
    stage.wait(minutes=5)
    stage.receive_and_answer(ANNA, "OUT 2")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(ANNA, "SOS Bram is missing"), ends)
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert ends_with(stage, CLEO, "ALARM AGAIN", "It is over", "ALARM AGAIN")
    assert len({body for body in stage.to(CLEO) if "ALARM AGAIN" in body}) == 1
    assert "ALARM AGAIN" in stage.last_to(DOV)
    assert "contact-0" in followed(stage, dive.id, "alarm_again")
    stage.text(ANNA, "out 2")


def test_a_stand_down_that_was_refused_is_followed_by_nothing(stage: Stage) -> None:
    """It reached nobody."""
    dive = stage.dive_in()
    stage.receive_and_answer(ANNA, "OUT 2")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(ANNA, "SOS"), refuse(Blame.TRANSIENT))
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert len([body for body in stage.to(CLEO) if "ALARM AGAIN" in body]) == 1
    assert "contact-0" not in followed(stage, dive.id, "alarm_again")
    stage.text(ANNA, "out 2")


def test_whoever_raised_the_alarm_again_is_not_sent_the_one_of_before(stage: Stage) -> None:
    """The contact calls for help while the stand-down is on its way to them: nobody tells them what they told us."""
    dive = stage.dive_in()
    stage.text(ANNA, "SOS")
    stage.receive_and_answer(ANNA, "OUT 2")
    before = len([body for body in stage.to(CLEO) if "ALARM" in body])

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(CLEO, f"SOS {dive.reference}"), accept)
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert len([body for body in stage.to(CLEO) if "ALARM" in body and "raised" not in body]) == before
    stage.text(ANNA, "out 2")


@FROM_A_CALL
@pytest.mark.parametrize("later", [False, True], ids=["a start notice", "a later raise-by time"])
def test_a_notice_that_a_gateway_took_after_the_close_is_followed_by_the_stand_down(
    stage: Stage, ends: Behaviour, *, later: bool
) -> None:
    """By that notice they would call rescue for a dive that is over."""
    dive = stage.dive_in() if later else stage.file()
    stage.receive_and_answer(ANNA, "LATE 20" if later else f"IN {dive.start_code}")

    slow(stage, (CLEO,), lambda: stage.receive_and_answer(ANNA, "OUT 2"), ends)
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert ends_with(stage, CLEO, "It is over", "Not heard by", "It is over")
    assert len(kinds(stage, dive.id, "stand_down")) == 2
    assert "contact-0" in followed(stage, dive.id, "stand_down_again")


@FROM_A_CALL
def test_the_plan_for_who_is_next_that_a_gateway_took_after_the_close_is_followed_too(
    stage: Stage, ends: Behaviour
) -> None:
    """The start was assumed so late that the first contact is alerted; the second holds what to do if they are next."""
    stage.file(plan(time_in_at=stage.clock.at + timedelta(minutes=10), run_time_min=5))
    stage.sleep(32)
    sweep(stage.service)

    slow(stage, (DOV,), lambda: stage.receive_and_answer(ANNA, "OUT 2"), ends)
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert ends_with(stage, DOV, "It is over", "If you are next", "It is over")


@FROM_A_CALL
def test_a_later_raise_by_time_that_a_gateway_took_after_the_alarm_is_followed_by_that_alarm(
    stage: Stage, ends: Behaviour
) -> None:
    """It said until when to wait; they are overdue."""
    dive = stage.dive_in()
    assert dive.raise_by_at is not None
    stage.wait(dive.raise_by_at - 5 * SECOND - stage.clock.at)
    stage.receive_and_answer(ANNA, "LATE 20")

    slow(stage, (CLEO,), lambda: sweep(stage.service), ends)
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert ends_with(stage, CLEO, "OVERDUE", "not 10:50", "OVERDUE")
    assert len(kinds(stage, dive.id, "alert")) == 2
    stage.text(ANNA, "out 2")


@pytest.mark.parametrize("closed", [False, True], ids=["a stand-down", "a start notice"])
def test_what_a_carrier_that_was_killed_had_in_a_call_is_followed_too(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, *, closed: bool
) -> None:
    """Nobody wrote down what came of it, and it is given up; a gateway has it all the same."""
    dive = stage.file()
    stage.receive_and_answer(ANNA, f"IN {dive.start_code}")
    if not closed:
        stage.courier.carry()
        stage.receive_and_answer(ANNA, "OUT 2")
    [first, last] = ("It is over", "Not heard by") if closed else ("ALARM AGAIN", "It is over")
    whole = Courier._record

    def killed(self: Courier, parcel: Parcel, heard: Heard) -> None:
        if parcel.message.phone != CLEO or first in parcel.message.body:
            whole(self, parcel, heard)

    with monkeypatch.context() as broken:
        broken.setattr(Courier, "_record", killed)
        slow(stage, (CLEO,), lambda: stage.receive_and_answer(ANNA, "OUT 2" if closed else "SOS"), accept)
    stage.wait(timedelta(minutes=1), step=SECOND)

    assert ends_with(stage, CLEO, first, last, first)
    if not closed:
        stage.text(ANNA, "out 2")


def test_what_has_not_left_yet_follows_by_itself(stage: Stage) -> None:
    """No second copy of a stand-down that still waits for its turn."""
    dive = stage.file()
    stage.receive_and_answer(ANNA, f"IN {dive.start_code}")

    def out(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        is_called()
        gateway.numbers.clear()
        stage.receive_and_answer(BRAM, "OUT 2")
        return accept(gateway, text)

    stage.first.numbers[CLEO] = out
    with claims_until_called(stage.courier) as is_called:
        stage.turn()
    stage.wait(timedelta(seconds=30), step=SECOND)

    assert "It is over" in stage.last_to(CLEO)
    assert len([body for body in stage.to(CLEO) if "It is over" in body]) == 1


GIVEN_BACK = {"lease_owner": None, "lease_until_at": None, "in_flight": False}
WAITS = {"state": QUEUED} | GIVEN_BACK
LEASED_ONLY = {"state": LEASED, "lease_owner": "another", "in_flight": False}
IN_A_CALL = {"state": LEASED, "lease_owner": "another", "in_flight": True, "handed_at": None}


@pytest.mark.parametrize(
    ("stands", "follows"),
    [
        ({}, True),
        (IN_A_CALL, True),
        (WAITS, False),
        (LEASED_ONLY, False),
        ({"state": FAILED, "handed_at": None}, False),
        ({"state": FAILED}, True),
        ({"cause_seq": None}, True),
    ],
    ids=[
        "handed",
        "in a call",
        "to go once more",
        "about to go",
        "given up",
        "failed on its way",
        "of the same instant",
    ],
)
def test_what_holds_follows_where_a_gateway_may_have_it_and_it_does_not_go_by_itself(
    unchecked: Stage, stands: dict[str, object], *, follows: bool
) -> None:
    """By how the stand-down stands as the start notice turns out to have gone: nobody can say which went first."""
    stage = unchecked  # whose rows are changed under it
    dive = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    over = stage.message(dive.id, "contact-0", "stand_down")
    change(stage, over.id, stands)

    overtaken_by_now(stage, dive.id, "start_notice")

    assert len(kinds(stage, dive.id, "stand_down")) == 1 + follows


def test_what_no_event_caused_is_followed_by_what_was_queued_since(unchecked: Stage) -> None:
    """As a notice is that followed another one by itself."""
    stage = unchecked  # as above
    dive = stage.dive_in()
    [notice] = [one for one in stage.messages(dive.id) if (one.kind, one.person_key) == ("start_notice", "contact-0")]
    change(stage, notice.id, {"cause_seq": None})
    stage.text(ANNA, "OUT 2")

    overtaken_by_now(stage, dive.id, "start_notice")

    assert len(kinds(stage, dive.id, "stand_down")) == 2


def test_what_follows_and_reaches_nobody_keeps_nothing_from_following_again(unchecked: Stage) -> None:
    """The carrier of the older word was given up, and goes on: it is followed each time."""
    stage = unchecked  # as above
    dive = stage.dive_in()
    stage.text(ANNA, "OUT 2")

    for times in (1, 2):
        overtaken_by_now(stage, dive.id, "start_notice")
        over = [one for one in stage.messages(dive.id) if (one.kind, one.person_key) == ("stand_down", "contact-0")]
        assert len(over) == 1 + times
        [new] = [one for one in over if one.state == QUEUED]
        change(stage, new.id, {"state": FAILED})


@pytest.mark.parametrize(("by", "words"), [(ANNA, "it is cold"), (DOV, "CALLED")], ids=["words", "rescue was called"])
def test_the_alarm_itself_follows_and_not_what_was_told_of_it_last(stage: Stage, by: str, words: str) -> None:
    """Whoever has "Anna Holt says it is cold" behind a start notice does not know that there is an alarm."""
    dive = stage.dive_in()
    stage.text(ANNA, "SOS")
    stage.text(by, words)
    before = [one.id for one in stage.messages(dive.id)]

    overtaken_by_now(stage, dive.id, "start_notice")

    [again] = [one for one in stage.messages(dive.id) if one.id not in before]
    assert again.step.startswith("raised-")
    stage.text(ANNA, "out 2")


def test_an_alarm_that_comes_through_after_a_graver_one_is_followed_by_nothing(unchecked: Stage) -> None:
    """Both are so, and whoever has them in the wrong order knows no less."""
    stage = unchecked  # as above
    dive = stage.dive_in()
    stage.text(ANNA, "SOS")
    stage.wait(minutes=31)
    assert kinds(stage, dive.id, "distress")
    before = len(stage.messages(dive.id))

    overtaken_by_now(stage, dive.id, "alert")

    assert len(stage.messages(dive.id)) == before


@pytest.mark.parametrize("name", ["raised", "reachable", "alarm_call", "uncalled", "alert", "distress_again"])
def test_any_alarm_on_which_somebody_can_act_follows(unchecked: Stage, name: str) -> None:
    """As it was raised, told to who can be reached after all or called, and at every rung."""
    stage = unchecked  # whose rows are changed under it
    dive = stage.dive_in()
    stage.text(ANNA, "SOS")
    [raised] = [one for one in stage.messages(dive.id) if (one.kind, one.person_key) == ("alert", "contact-0")]
    change(stage, raised.id, {"step": f"{name}-99"})

    overtaken_by_now(stage, dive.id, "start_notice")

    again = [one.step for one in stage.messages(dive.id) if one.step.startswith(f"{name}-99-")]
    assert len(again) == 1


def change(stage: Stage, message_id: str, values: dict[str, object]) -> None:
    """A message stands otherwise."""
    if values:
        row = update(MessageRow).where(MessageRow.id == message_id).values(**values)
        stage.service.write(lambda session: session.execute(row))


def overtaken_by_now(stage: Stage, dive_id: str, kind: str) -> None:
    """An attempt at what the first contact was told before turns out to have got through."""
    [told] = [one for one in stage.messages(dive_id) if (one.kind, one.person_key) == (kind, "contact-0")]
    dive = stage.dive(dive_id)
    stage.service.write(lambda session: follow(stage.service, session, told, dive, stage.clock.at))
