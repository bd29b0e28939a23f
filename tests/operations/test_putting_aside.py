"""A text on which our code fails each time: whoever may have called for help is heard by the plainest path."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from service.domain.dive import Dive, Event
from service.domain.dive.events import AlarmRaised, Heard
from service.operations import inbound as arriving
from service.operations import putting_aside, telling
from service.operations.inbound import answer_text
from service.operations.plan_reading import NamedPhone
from service.operations.texting import answer
from service.store.log import Entry
from tests.operations.stage import ANNA, CLEO, DOV, EDDA, FINN, STRANGER, Stage, plan, plan_of
from tests.operations.test_arrival import stored
from tests.operations.test_drilling import begun, with_people

OUR_FAULT = "our fault: your text changed nothing."
FAULT = "SERVICE FAULT, a dive may be overdue"


@pytest.fixture(autouse=True)
def broken_wording(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on nothing can be worded of an alarm that somebody raises, nor of words that are not understood."""
    whole = telling.messages_for

    def words(dive: Dive, event: Event) -> Any:
        if isinstance(event, AlarmRaised | Heard):
            raise KeyError("raised_by")
        return whole(dive, event)

    monkeypatch.setattr(telling, "messages_for", words)


def fails(stage: Stage, sender: str, body: str, **given: Any) -> list[str]:
    """A text on which our code fails three times; what its sender is told then."""
    before = len(stage.to(sender))
    inbound_id = stage.receive(sender, body, **given)
    assert inbound_id is not None
    for _ in range(arriving.TRIES_MAX):
        with pytest.raises((KeyError, ValueError)):
            answer_text(stage.service, inbound_id)
    assert stored(stage, inbound_id).state == "quarantined"
    stage.courier.carry()
    return stage.to(sender)[before:]


def alarms(stage: Stage, phone: str) -> list[str]:
    """The plainest alarms to a phone."""
    return [body for body in stage.to(phone) if FAULT in body]


def aside(stage: Stage) -> list[Entry]:
    """What the log says was put aside."""
    return [entry for entry in stage.entries(chain="service") if entry.kind == "text_put_aside"]


def unreadable(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on our code cannot read any text."""

    def read(_: str) -> Any:
        raise ValueError("the reading broke")

    monkeypatch.setattr(arriving, "read", read)
    monkeypatch.setattr(putting_aside, "read", read)


@pytest.mark.parametrize("body", ["SOS", "HELP", "we lost someone, cannot find him"])
def test_a_call_for_help_on_which_our_code_fails_is_told_to_everybody(stage: Stage, body: str) -> None:
    """Every contact and the admins get the plainest alarm, and the sender hears that and whom to call."""
    dive = stage.dive_in()

    [answer] = fails(stage, ANNA, body)

    assert OUR_FAULT in answer
    assert "Your contacts are told." in answer
    assert "In trouble call" in answer
    for phone in (CLEO, DOV, FINN):
        [words] = alarms(stage, phone)
        assert "Anna Holt at Lantern Cove" in words
    assert f"our code failed on a text from {ANNA}" in stage.last_to(FINN)
    assert [entry.detail and entry.detail["alarmed"] for entry in aside(stage)] == [[dive.id]]
    stage.text(ANNA, "OUT")


def test_the_clock_of_the_dive_is_left_as_it_is_and_its_end_is_told(stage: Stage) -> None:
    """The alarm is of the text alone: the dive falls due when it would have, and whoever was told is stood down."""
    dive = stage.dive_in()
    stage.wait(minutes=60)
    due_at = stage.dive(dive.id).raise_by_at
    fails(stage, ANNA, "SOS")
    assert alarms(stage, CLEO)

    stage.wait(minutes=5)
    assert stage.clock.at == due_at
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT")
    for phone in (CLEO, DOV):
        assert "2 divers OUT" in stage.last_to(phone) or "the dive is over" in stage.last_to(phone)


def test_a_text_that_nobody_can_read_counts_as_a_call_for_help(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may be one."""
    stage.dive_in()
    with monkeypatch.context() as patch:
        unreadable(patch)
        [answer] = fails(stage, ANNA, "OUT")

    assert OUR_FAULT in answer
    assert len(alarms(stage, CLEO)) == 1
    stage.text(ANNA, "OUT")


def test_what_is_no_call_for_help_alarms_nobody(stage: Stage) -> None:
    """The clock runs on, so silence is still the alarm; the sender and the admins hear of it."""
    stage.dive_in()

    [answer] = fails(stage, ANNA, "nice water today")

    assert OUR_FAULT in answer
    assert "contacts are told" not in answer
    assert alarms(stage, CLEO) == []
    assert "Please phone them." in stage.last_to(FINN)
    stage.text(ANNA, "OUT")


def test_help_after_the_end_is_heard_too(unchecked: Stage) -> None:
    """The dive closed a moment ago and an SOS would have opened it again; nothing of ours says when that is over."""
    stage = unchecked
    stage.dive_in()
    stage.text(ANNA, "OUT")
    stage.sleep(30)

    fails(stage, ANNA, "SOS")

    assert len(alarms(stage, CLEO)) == 1


@pytest.fixture
def broken_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on no text can be acted on at all."""

    def answer(_: object) -> Any:
        raise KeyError("a fault of ours")

    monkeypatch.setattr(arriving, "answer", answer)


@pytest.mark.usefixtures("broken_answers")
@pytest.mark.parametrize(("body", "told"), [("SOS", 1), ("HELP", 0)])
def test_a_plan_that_nobody_started_counts_as_for_any_sos(stage: Stage, body: str, told: int) -> None:
    """Not by the carrier's word alone, which asks what we are where nobody is in the water."""
    stage.file()

    fails(stage, ANNA, body)

    assert len(alarms(stage, CLEO)) == told


def test_long_after_the_end_there_is_no_dive_to_alarm_for(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then rescue is all there is, and the answers have the bound of one whom the club knows."""
    stage.dive_in()
    stage.text(ANNA, "OUT")
    stage.sleep(130)
    with monkeypatch.context() as patch:
        unreadable(patch)
        answers = [fails(stage, ANNA, "SOS") for _ in range(21)]

    assert alarms(stage, CLEO) == []
    assert [len(one) for one in answers] == [1] * 20 + [0]
    assert "In trouble call" in answers[0][0]


@pytest.mark.usefixtures("broken_answers")
def test_a_stranger_who_is_not_in_trouble_and_whoever_opts_out_get_no_answer(stage: Stage) -> None:
    """The admins hear of each, in any case."""
    assert fails(stage, STRANGER, "hello") == []
    assert fails(stage, CLEO, "STOP") == []
    assert len([body for body in stage.to(FINN) if "our code failed" in body]) == 2


def test_who_opted_out_gets_no_answer_and_is_heard(stage: Stage) -> None:
    """Nothing goes to that phone; the other contacts are told."""
    stage.dive_in()
    stage.text(CLEO, "STOP")

    assert fails(stage, CLEO, "SOS") == []
    assert len(alarms(stage, DOV)) == 1
    stage.text(ANNA, "OUT")


def test_the_dive_that_is_named_by_its_code_is_meant(stage: Stage) -> None:
    """From a borrowed phone."""
    dive = stage.dive_in()

    [answer] = fails(stage, STRANGER, f"SOS {dive.finish_code}")

    assert "Your contacts are told." in answer
    assert len(alarms(stage, CLEO)) == 1
    stage.text(ANNA, "OUT")


def test_of_two_dives_the_one_that_is_named_is_meant(stage: Stage) -> None:
    """By its reference; else every live one."""
    first = stage.dive_in()
    second = stage.dive_in(plan(contacts=plan().contacts[1:], lead=plan().lead))

    fails(stage, DOV, f"SOS {second.reference}")
    assert alarms(stage, CLEO) == []
    fails(stage, DOV, "SOS")
    assert len(alarms(stage, CLEO)) == 1

    for dive in (first, second):
        stage.text(ANNA, f"OUT {dive.reference}")


def exercise(stage: Stage) -> Dive:
    """An exercise that runs, in which Finn plays the diver."""
    with_people(stage)
    begun(stage)
    [dive] = [dive for dive in stage.all_dives() if dive.drill]
    return dive


def alarmed(stage: Stage) -> list[list[str]]:
    """For which dives each text that was put aside has alarmed."""
    return [entry.detail["alarmed"] for entry in aside(stage) if entry.detail]


def own_dive(stage: Stage, *, started: bool) -> Dive:
    """A real plan of whoever plays the diver, filed or gone in by."""
    dive = stage.file(replace(plan_of(7, (EDDA,)), lead=NamedPhone("Finn Adair", FINN)))
    if started:
        stage.text(FINN, f"IN {dive.reference}")
    return dive


@pytest.mark.usefixtures("broken_answers")
@pytest.mark.parametrize("end", [None, "OUT"], ids=["filed", "over"])
def test_who_plays_a_part_in_an_exercise_is_heard_as_without_it(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, end: str | None
) -> None:
    """Nobody would go out for what is marked EXERCISE, and they may be in trouble."""
    with monkeypatch.context() as patch:
        patch.setattr(arriving, "answer", answer)
        real = own_dive(stage, started=end is not None)
        if end:
            stage.text(FINN, f"{end} {real.reference}")
    exercise(stage)

    fails(stage, FINN, "SOS")

    assert alarmed(stage) == [[real.id]]
    assert len(alarms(stage, EDDA)) == 1
    assert alarms(stage, CLEO) == []


def test_a_dive_that_runs_is_meant_and_not_the_exercise_beside_it(stage: Stage) -> None:
    """Whoever holds both; the contacts of the exercise hear nothing of it."""
    exercise(stage)
    real = own_dive(stage, started=True)

    fails(stage, FINN, "HELP")

    assert alarmed(stage) == [[real.id]]
    stage.text(FINN, f"OUT {real.reference}")


def test_where_nothing_real_can_be_meant_the_exercise_is(stage: Stage) -> None:
    """By its reference too, whatever real dive there is."""
    played = exercise(stage)
    fails(stage, FINN, "HELP")
    real = own_dive(stage, started=True)
    stage.sleep(11)
    fails(stage, FINN, f"SOS {played.reference}")

    assert alarmed(stage) == [[played.id], [played.id]]
    assert all(words.startswith("EXERCISE") for words in alarms(stage, CLEO))
    stage.text(FINN, f"OUT {real.reference}")


def test_two_that_put_it_aside_at_once_alarm_once(stage: Stage) -> None:
    """The web process and a sweep come to the third try together."""
    stage.dive_in()
    inbound_id = stage.receive(ANNA, "SOS")
    assert inbound_id is not None
    for _ in range(arriving.TRIES_MAX - 1):
        with pytest.raises(KeyError):
            answer_text(stage.service, inbound_id)

    together([lambda: answer_text(stage.service, inbound_id)] * 2)
    stage.courier.carry()

    assert len(aside(stage)) == 1
    assert len(alarms(stage, CLEO)) == 1
    assert len([body for body in stage.to(FINN) if "our code failed" in body]) == 1
    stage.text(ANNA, "OUT")


def together(works: list[Callable[[], None]]) -> None:
    """Do all of it in threads that begin together, whatever they raise."""
    gate = threading.Barrier(len(works))

    def run(work: Callable[[], None]) -> None:
        gate.wait()
        with contextlib.suppress(KeyError):
            work()

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


@pytest.mark.parametrize(
    ("part", "heard"),
    [
        ("raise_within", (False, True, True)),
        ("of_phone", (False, False, True)),
        ("words_for", (True, False, True)),
        ("tell_admins", (True, True, False)),
        ("read_phone", (True, True, True)),
    ],
)
def test_whatever_else_fails_the_text_is_put_aside(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, part: str, heard: tuple[bool, bool, bool]
) -> None:
    """Each part stands by itself, since the fault may lie there, too: contacts, sender and admins."""

    def break_down(*_: object, **__: object) -> Any:
        raise ValueError("a fault of ours")

    stage.dive_in()
    with monkeypatch.context() as patch:
        patch.setattr(putting_aside, part, break_down)
        fails(stage, ANNA, "SOS")

    assert len(aside(stage)) == 1
    told = bool(alarms(stage, CLEO)), OUR_FAULT in stage.last_to(ANNA), "our code failed" in stage.last_to(FINN)
    assert told == heard
    stage.text(ANNA, "OUT")


def test_a_database_that_goes_meanwhile_leaves_the_text_for_later(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of it is done by half: the next look puts it aside with all that belongs to it."""
    stage.dive_in()
    inbound_id = stage.receive(ANNA, "SOS")
    assert inbound_id is not None
    for _ in range(arriving.TRIES_MAX - 1):
        with pytest.raises(KeyError):
            answer_text(stage.service, inbound_id)

    def gone(*_: object, **__: object) -> Any:
        raise OperationalError("INSERT", {}, ConnectionResetError("the database is gone"))

    with monkeypatch.context() as patch:
        patch.setattr(putting_aside, "tell_admins", gone)
        with pytest.raises(OperationalError):
            answer_text(stage.service, inbound_id)
    assert (stored(stage, inbound_id).state, aside(stage)) == ("stored", [])

    with pytest.raises(KeyError):
        answer_text(stage.service, inbound_id)
    stage.courier.carry()
    assert len(alarms(stage, CLEO)) == 1
    stage.text(ANNA, "OUT")


def test_a_stranger_in_trouble_hears_it_though_the_answers_of_the_hour_are_used_up(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of calls for help three have an answer whatever else was sent; then these end too."""
    for _ in range(6):
        stage.text(STRANGER, "OUT 123456")
    assert len(stage.to(STRANGER)) == 5
    unreadable(monkeypatch)

    assert [len(fails(stage, STRANGER, "SOS")) for _ in range(4)] == [1, 1, 1, 0]
