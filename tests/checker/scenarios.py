"""Short scripted days that lead where rules matter; the checker is asked at every `yield` and at the end.

They assert nothing themselves: what a day must show is the checker's to say, since a mutant of the service is played in
the same day. All runs on one thread and a database in memory, so that a day takes a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from service.operations.carrying import Courier
from service.operations.gateway import Blame, Outcome, Outgoing, ReceiptState
from service.operations.sweeping import sweep
from service.store.tables import DiveRow
from tests.checker.scenarios_of_outages import (
    an_admin_is_left_with_it,
    an_end_is_kept_from_going_out,
    an_end_that_nobody_took_is_none,
    help_is_called_for_when_it_is_over,
    nobody_known_calls_for_help,
)
from tests.checker.scenarios_of_rescue import another_says_that_rescue_was_not_called, rescue_was_not_called
from tests.checker.scenarios_of_silence import (
    a_carrier_vanishes_with_what_is_late,
    more_time_is_asked_for_late,
    nobody_looks_for_seven_minutes,
    nothing_is_delivered,
)
from tests.checker.scenarios_of_words import (
    a_club_asks_for_the_code,
    a_dive_cannot_be_read,
    a_text_comes_twice,
    anybody_says_anything,
    the_log_is_kept,
    two_clubs_dive,
    words_lay_somewhere,
)
from tests.checker.theatre import MINUTE, SECOND, Inline, Scenario, go, work
from tests.operations.stage import (
    ANNA,
    CLEO,
    DOV,
    FINN,
    Behaviour,
    ScriptedGateway,
    Stage,
    accept,
    lose_the_answer,
    plan,
    plan_of,
    refuse,
    time_out,
)

# A dive from plan to stand-down


def an_alarm_is_answered(stage: Stage) -> Iterator[None]:
    """More time, an alarm, the next contact, distress, an answer, and the end by the party."""
    stage.dive_in()
    go(stage, 20, 5 * MINUTE)
    stage.text(ANNA, "late 10")
    yield
    go(stage, 46, 2 * MINUTE)
    yield
    go(stage, 26, 2 * MINUTE)
    yield
    stage.text(CLEO, "OK")
    go(stage, 3)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def nobody_answers(stage: Stage) -> Iterator[None]:
    """Distress goes out again and again, the admins hear of it, and an admin ends it."""
    dive = stage.dive_in()
    go(stage, 100, 2 * MINUTE)
    yield
    go(stage, 22, 2 * MINUTE)
    yield
    stage.text(FINN, f"SAFE 2 {dive.reference}")
    go(stage, 2)


def nothing_comes_of_an_answer(stage: Stage) -> Iterator[None]:
    """A contact has the alarm and is heard of no more: the admins are told, and one of them ends it."""
    dive = stage.dive_in()
    go(stage, 68, 2 * MINUTE)
    stage.text(CLEO, "OK")
    go(stage, 50, 2 * MINUTE)
    yield
    stage.text(FINN, f"SAFE 2 {dive.reference}")
    go(stage, 2)


def rescue_is_called(stage: Stage) -> Iterator[None]:
    """No repeat follows, whatever else is due, until it is over."""
    stage.dive_in()
    go(stage, 82, 2 * MINUTE)
    stage.text(CLEO, "CALLED 17")
    yield
    go(stage, 40, 4 * MINUTE)
    yield
    stage.text(CLEO, "SAFE 2")
    go(stage, 2)


def help_is_called_for(stage: Stage) -> Iterator[None]:
    """SOS in the tenth minute, a position, some out, then all; an hour later somebody calls again."""
    stage.dive_in()
    go(stage, 10, 5 * MINUTE)
    stage.text(ANNA, "SOS")
    stage.text(ANNA, "AT 47.12401,-20.54301")
    stage.text(ANNA, "LATE 20")
    yield
    go(stage, 8, 2 * MINUTE)
    stage.text(ANNA, "OUT 1")
    stage.text(ANNA, "OUT")
    yield
    stage.text(ANNA, "OUT 2")
    go(stage, 60, 20 * MINUTE)
    yield
    stage.text(ANNA, "SOS")
    go(stage, 20)
    yield
    stage.text(CLEO, "SAFE 2")
    go(stage, 2)


def nobody_starts(stage: Stage) -> Iterator[None]:
    """Of three plans one is assumed to have begun, one is called off, and one lapses after a day."""
    stage.file(plan(time_in_at=stage.clock.at + 10 * MINUTE))
    stage.file(plan_of(1, time_in_at=stage.clock.at + 10 * MINUTE))
    stage.file(plan_of(2))
    go(stage, 26)
    yield
    stage.text("+447700900101", "NOGO")
    go(stage, 8)
    yield
    stage.text(ANNA, "out 2")
    stage.sleep(23 * 60)
    work(stage)
    yield
    stage.sleep(45)
    work(stage)
    work(stage)


def a_tick_comes_late(stage: Stage) -> Iterator[None]:
    """Nobody looks for an hour, then the dive goes straight to where it should be."""
    stage.dive_in()
    stage.file(plan_of(1, time_in_at=stage.clock.at + MINUTE, run_time_min=5))
    stage.sleep(63)
    work(stage)
    work(stage)
    yield
    stage.sleep(20)
    work(stage)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


# Ways that fail


def no_contact_is_reached(stage: Stage) -> Iterator[None]:
    """The first contact's number is dead: the next hears at once; then the second opts out, and the admins hear."""
    for gateway in (stage.first, stage.second):
        gateway.numbers[CLEO] = refuse(Blame.NUMBER)
    stage.dive_in()
    work(stage)
    yield
    go(stage, 66)
    yield
    stage.text(DOV, "STOP")
    work(stage)
    yield
    go(stage, 12)
    stage.text(DOV, "START")
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def the_alert_fails(stage: Stage) -> Iterator[None]:
    """The start notice arrived; the alert is refused for good, and nobody waits five minutes."""
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    for gateway in (stage.first, stage.second):
        gateway.numbers[CLEO] = refuse(Blame.NUMBER)
    go(stage, 1)
    work(stage, 20)
    yield
    go(stage, 3)
    stage.text(ANNA, "out 2")
    go(stage, 2)


def nobody_can_be_armed(stage: Stage) -> Iterator[None]:
    """Both gateways are down at the start, and when more time is asked for; the diver hears it; then they come back."""
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    stage.file()
    dive_id = next(iter(stage.service.read(lambda session: session.execute(DiveRow.__table__.select()).all()))).id
    stage.text(ANNA, f"IN {stage.dive(dive_id).start_code}")
    for _ in range(5):
        work(stage, 31)
    yield
    stage.text(ANNA, "late 10")
    for _ in range(3):
        work(stage, 31)
    yield
    stage.first.usually = stage.second.usually = accept
    go(stage, 6)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def answers_are_lost(stage: Stage) -> Iterator[None]:
    """What was taken is not known to be: alarms go again by the other gateway, replies do not."""
    stage.dive_in()
    go(stage, 63, 3 * MINUTE)
    stage.first.usually = lose_the_answer
    stage.second.next = [time_out, lose_the_answer]
    for _ in range(12):
        work(stage, 20)
    stage.text(CLEO, "OK")
    go(stage, 2)
    yield
    stage.first.usually = accept
    go(stage, 6)
    stage.text(ANNA, "out 2")
    go(stage, 6)


def couriers_die(stage: Stage) -> Iterator[None]:
    """One dies before it records, twice; another comes back after its lease is over."""
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    whole = stage.courier._record
    stage.courier._record = lambda *_: None
    work(stage, 60)
    yield
    work(stage, 32)
    stage.courier._record = whole
    yield
    for _ in range(4):
        work(stage, 31)
    yield
    _sleeps_in_the_call(stage)
    go(stage, 12)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def _sleeps_in_the_call(stage: Stage) -> None:
    """For longer than its lease; meanwhile another takes the message over."""
    other = _another_courier(stage)

    def slow(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        other.carry()
        stage.clock.at += 31 * SECOND
        other.carry()
        return accept(gateway, text)

    stage.first.next, stage.second.next = [slow], []
    go(stage, 6)
    other.close()


def _another_courier(stage: Stage) -> Courier:
    other = Courier(stage.service, [stage.second, stage.first])
    other._pool.shutdown()
    other._pool = other._asking._pool = Inline()
    return other


def it_ends_during_a_call(stage: Stage) -> Iterator[None]:
    """The finish comes while the alert is on its way, which is then refused; another waits for its next try."""
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)

    def out(_: ScriptedGateway, __: Outgoing) -> Outcome:
        stage.receive_and_answer(ANNA, "out 2")
        stage.clock.at += 2 * SECOND
        return refuse(Blame.TRANSIENT)(stage.first, __)

    stage.first.next = [out]
    go(stage, 1)
    work(stage)
    yield
    go(stage, 3)


def the_alarm_comes_during_a_call(stage: Stage) -> Iterator[None]:
    """The notice of more time is with a gateway that does not answer when they are overdue."""
    stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    stage.clock.at += 55 * SECOND
    stage.receive_and_answer(ANNA, "late 20")
    _while_in_a_call(stage, lambda: sweep(stage.service), time_out)
    yield
    for _ in range(6):
        work(stage, 5)
    yield
    stage.text(ANNA, "out 2")
    go(stage, 2)


def words_cross_in_calls(stage: Stage) -> Iterator[None]:
    """The start notice is with a slow gateway as they come out, the stand-down of another dive as help is called for.

    And the notice of more time as a third one is overdue.
    """
    dives = [stage.file(), stage.dive_in(plan_of(1)), stage.dive_in(plan_of(2))]
    stage.receive_and_answer(ANNA, "in")
    _while_in_a_call(stage, lambda: stage.receive_and_answer(ANNA, "out 2"), accept)
    yield
    [one, two] = [dive.lead.phone or "" for dive in dives[1:]]
    stage.receive_and_answer(one, "out 1")
    _while_in_a_call(stage, lambda: stage.receive_and_answer(one, "SOS"), accept)
    yield
    stage.text(one, "out 1")
    go(stage, 64, 4 * MINUTE)
    stage.clock.at += 35 * SECOND
    stage.receive_and_answer(two, "late 20")
    _while_in_a_call(stage, lambda: sweep(stage.service), lose_the_answer)
    go(stage, 2)
    yield
    stage.text(two, "out 1")
    go(stage, 2)


def _while_in_a_call(stage: Stage, meanwhile: Callable[[], object], ends: Behaviour) -> None:
    """The next call to a contact takes eight seconds, in which this happens and another courier carries it."""
    other, contacts = _another_courier(stage), (CLEO, *(f"+4477009002{number:02}" for number in (1, 2, 3)))

    def slow(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        for phone in contacts:
            gateway.numbers.pop(phone, None)
        stage.clock.at += 6 * SECOND
        meanwhile()
        other.carry()
        stage.clock.at += 2 * SECOND
        return ends(gateway, text)

    stage.first.numbers.update(dict.fromkeys(contacts, slow))
    stage.courier.carry()
    other.close()


def rescue_is_called_meanwhile(stage: Stage) -> Iterator[None]:
    """While who answered waits to be told, is with a gateway that refuses it, is with a slow one; and the end, then."""
    one, *others = [stage.dive_in(), *(stage.dive_in(plan_of(number)) for number in (1, 2, 3))]
    go(stage, 71, 2 * MINUTE)
    work(stage, 5)
    stage.receive_and_answer(DOV, f"OK {one.reference}")
    stage.receive_and_answer(DOV, f"CALLED {one.reference}")
    go(stage, 1)
    yield
    ends = [("CALLED", refuse(Blame.TRANSIENT)), ("CALLED", accept), ("SAFE 1", accept)]
    for dive, (then, ended) in zip(others, ends, strict=True):
        second = dive.contacts[1].phone or ""
        stage.receive_and_answer(second, f"OK {dive.reference}")
        _while_in_a_call(stage, partial(stage.receive_and_answer, second, f"{then} {dive.reference}"), ended)
        go(stage, 1)
        yield
    stage.text(ANNA, "out 2")
    go(stage, 1)


def it_ends_while_alarms_wait(stage: Stage) -> Iterator[None]:
    """Both gateways are down when the alarm falls due, and the party comes out before they are back."""
    dive = stage.dive_in()
    go(stage, 64, 4 * MINUTE)
    stage.first.usually = stage.second.usually = refuse(Blame.TRANSIENT)
    go(stage, 18, 2 * MINUTE)
    yield
    stage.receive_and_answer(ANNA, f"out {dive.finish_code} 2")
    yield
    stage.first.usually = stage.second.usually = accept
    go(stage, 4)


def a_gateway_fails(stage: Stage) -> Iterator[None]:
    """One times out for minutes, with more to carry than one dive has, and works again."""
    for number in range(4):
        stage.dive_in(plan_of(number))
    stage.first.usually = time_out
    for _ in range(14):
        work(stage, 31)
        stage.text("+447700900100", "status")
    yield
    stage.first.usually = accept
    go(stage, 4)


def much_waits_at_once(stage: Stage) -> Iterator[None]:
    """Alarms and reminders of several dives fall due together, and answers too."""
    for number in range(3):
        stage.dive_in(plan_of(number, run_time_min=50))
    go(stage, 10, 10 * MINUTE)
    for number in range(3, 6):
        stage.dive_in(plan_of(number, run_time_min=55))
    stage.sleep(53)
    stage.receive_and_answer("+447700900101", "status")
    stage.sleep(2)
    work(stage)
    yield
    go(stage, 10, 2 * MINUTE)


def a_letter_is_late(stage: Stage) -> Iterator[None]:
    """Receipts: before our own record, twice, the wrong way round, of an earlier handing over, and none at all."""
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.dive_in()
    for taken in list(stage.journal):
        stage.receipt(taken, ReceiptState.DELIVERED)
        stage.receipt(taken, ReceiptState.FAILED, code="30003")
    yield

    def at_once(gateway: ScriptedGateway, text: Outgoing) -> Outcome:
        accepted = accept(gateway, text)
        stage.receipt(gateway.taken[-1], ReceiptState.DELIVERED)
        return accepted

    go(stage, 64, 4 * MINUTE)
    stage.first.next = [at_once]
    go(stage, 1)
    yield
    go(stage, 5)
    for taken in list(stage.journal)[-2:]:
        stage.receipt(taken, ReceiptState.FAILED, code="30005")
    yield
    go(stage, 8)
    yield
    for taken in list(stage.journal)[-4:]:
        stage.receipt(taken, ReceiptState.SENT)
        stage.receipt(taken, ReceiptState.DELIVERED)
    stage.text(ANNA, "out 2")
    [over, *_] = [taken for taken in stage.journal if taken.to == CLEO][::-1]
    stage.receipt(over, ReceiptState.FAILED, code="30005")
    stage.receipt(over, ReceiptState.DELIVERED)
    yield
    go(stage, 4)


SCENARIOS: dict[str, Scenario] = {
    scenario.__name__: scenario
    for scenario in (
        an_alarm_is_answered,
        nobody_answers,
        nothing_comes_of_an_answer,
        rescue_is_called,
        rescue_was_not_called,
        another_says_that_rescue_was_not_called,
        help_is_called_for,
        help_is_called_for_when_it_is_over,
        an_end_that_nobody_took_is_none,
        an_admin_is_left_with_it,
        an_end_is_kept_from_going_out,
        nobody_known_calls_for_help,
        nobody_starts,
        a_tick_comes_late,
        nobody_looks_for_seven_minutes,
        more_time_is_asked_for_late,
        no_contact_is_reached,
        the_alert_fails,
        nothing_is_delivered,
        nobody_can_be_armed,
        answers_are_lost,
        couriers_die,
        a_carrier_vanishes_with_what_is_late,
        it_ends_during_a_call,
        the_alarm_comes_during_a_call,
        words_cross_in_calls,
        rescue_is_called_meanwhile,
        it_ends_while_alarms_wait,
        a_gateway_fails,
        much_waits_at_once,
        a_letter_is_late,
        anybody_says_anything,
        a_text_comes_twice,
        words_lay_somewhere,
        a_club_asks_for_the_code,
        two_clubs_dive,
        a_dive_cannot_be_read,
        the_log_is_kept,
    )
}
