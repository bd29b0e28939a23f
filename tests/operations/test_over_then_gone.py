"""Somebody calls for help about a dive that was over, and the database is gone: its people hear it, and go on by it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.domain.dive import Dive, Phase
from service.domain.dive.events import AlarmRaised
from service.operations.gateway import Blame
from service.store.codec import load_event
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, FINN, STRANGER, Stage, accept, plan, plan_of, refuse, time_out

SOS = "SOS Bram cannot feel his legs"
RAISED = "Bram cannot feel his legs"


def over(keeping: Keeping, *, ago: timedelta = timedelta(hours=1)) -> Dive:
    """A dive that nobody was alarmed about and that ended so long ago; the snapshot is of now."""
    stage = keeping.stage
    dive = stage.dive_in()
    stage.wait(minutes=40)
    stage.text(ANNA, "OUT")
    stage.wait(ago - timedelta(seconds=10))
    keeping.look()
    dive = stage.dive(dive.id)
    assert (dive.phase, dive.alarm_at) == (Phase.CLOSED, None)
    return dive


def raised(stage: Stage, phone: str) -> list[str]:
    """The alarms by that call for help which reached a phone."""
    return [body for body in stage.to(phone) if " says " in body and RAISED in body]


def stood_down(stage: Stage, phone: str) -> bool:
    """Whether the last that a phone heard is that it is over."""
    return "ALARM" not in stage.last_to(phone) and any(
        word in stage.last_to(phone) for word in ("OUT", "SAFE", "safe", "over")
    )


def stand_downs(stage: Stage, dive: Dive) -> set[str]:
    """The steps of the messages that say that it is over."""
    return {one.step for one in stage.messages(dive.id) if one.kind == "stand_down"}


def raisings(stage: Stage, dive: Dive) -> list[AlarmRaised]:
    """What the log has of who raised it."""
    entries = [one for one in stage.entries(dive) if one.kind == "event:alarm_raised"]
    events = [load_event("alarm_raised", one.detail or {}) for one in entries]
    return [one for one in events if isinstance(one, AlarmRaised)]


def test_an_sos_an_hour_after_the_end_is_told_in_the_outage(keeping_on_both: Keeping) -> None:
    """Within a look: every contact has the words, the sender an answer; the clock of that alarm goes on from there."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    told = len(stage.to(CLEO))
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        said_at = stage.clock.at
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.without(seconds=10)
        for phone in (CLEO, DOV):
            assert len(raised(stage, phone)) == 1
        assert "ALARM raised" in stage.last_to(ANNA)
        keeping_on_both.without(minutes=32)
        assert "CALL RESCUE NOW" in stage.last_to(CLEO)
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert (after.phase, after.raised_note) == (Phase.DISTRESS, SOS.removeprefix("SOS "))
    assert after.alarm_at == said_at + timedelta(seconds=10)
    assert all("ALARM" in body for body in stage.to(CLEO)[told:])
    assert "OVERDUE" not in stage.last_to(CLEO)
    assert len(after.raisings) == 1
    stage.text(CLEO, f"SAFE 2 {dive.reference}")
    assert stood_down(stage, DOV)


def test_whoever_was_told_is_not_told_that_it_is_over_while_it_is_not(keeping_on_both: Keeping) -> None:
    """The record has the dive as closed when the journal comes in: nobody hears so, before or after the text itself."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    ended = stand_downs(stage, dive)
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, SOS)
    keeping_on_both.standby.look()
    stage.courier.carry()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert stand_downs(stage, dive) == ended
    assert raised(stage, CLEO) == stage.to(CLEO)[-1:]
    keeping_on_both.look()
    stage.turn()
    stage.text(ANNA, "OUT")


@pytest.mark.parametrize("minutes", [30, 90], ids=["within two hours of the end", "later than that"])
def test_what_was_told_holds_however_late_the_database_is_back(keeping_on_both: Keeping, minutes: float) -> None:
    """They called within two hours of the end, and that counts."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(BRAM, SOS)
        keeping_on_both.without(minutes=minutes)
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.DISTRESS
    stage.text(ANNA, "OUT")
    assert all(stood_down(stage, phone) for phone in (CLEO, DOV))


def test_it_ends_in_the_outage_as_well(keeping_on_both: Keeping) -> None:
    """A contact has them: the others are stood down at once, and the record has both when it is back, hours later."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.hears(CLEO, f"SAFE 2 {dive.reference}", minutes=1)
        assert stood_down(stage, DOV)
        keeping_on_both.without(minutes=150)
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert [one.reopened for one in raisings(stage, dive)] == [True]
    assert stood_down(stage, DOV)


def test_an_answer_to_it_is_an_answer(keeping_on_both: Keeping) -> None:
    """What a contact said to the keeper's alarm is not of before it: the dive knows that they have it."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.without(minutes=1)
        keeping_on_both.spooled(DOV, f"OK {dive.reference}")
        keeping_on_both.without(minutes=10)
    keeping_on_both.look()
    stage.turn()

    assert [one.key for one in stage.dive(dive.id).acknowledged] == ["contact-1"]
    stage.text(ANNA, "OUT")


def test_who_could_not_be_told_in_the_outage_is_told_by_the_record(keeping_on_both: Keeping) -> None:
    """No gateway took it for anybody: the alarm is up all the same, and they hear it at once."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    for gateway in (stage.first, stage.second):
        gateway.usually = time_out
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, SOS)
    for gateway in (stage.first, stage.second):
        gateway.usually = accept
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert all(raised(stage, phone) for phone in (CLEO, DOV))
    stage.text(ANNA, "OUT")


def test_a_keeper_that_is_started_again_goes_on_with_it(keeping: Keeping) -> None:
    """The next one neither forgets that it is up nor tells it again."""
    stage = keeping.stage
    over(keeping)
    with gone(stage.engine):
        keeping.hears(ANNA, SOS)
        keeping.start_again()
        keeping.without(minutes=31)
        assert len(raised(stage, CLEO)) == 1
        assert "CALL RESCUE NOW" in stage.last_to(CLEO)
        keeping.spooled(ANNA, "OUT")
        keeping.without(seconds=10)
        assert stood_down(stage, CLEO)
    keeping.look()
    stage.turn()


@pytest.mark.parametrize(
    ("sender", "words", "raises"),
    [
        pytest.param(ANNA, "SOS", True, id="the lead"),
        pytest.param(CLEO, "SOS", True, id="a contact"),
        pytest.param(STRANGER, "SOS {finish}", True, id="anybody with a code of it"),
        pytest.param(STRANGER, "SOS", False, id="a stranger"),
        pytest.param(ANNA, "SOS {ref}", True, id="by its reference"),
        pytest.param(ANNA, "HELP", False, id="what carriers answer, where no clock runs"),
        pytest.param(ANNA, "cannot find my torch", False, id="words of trouble, where no clock runs"),
        pytest.param(ANNA, "OUT", False, id="an end of what is over"),
    ],
)
def test_what_opens_a_dive_that_is_over(keeping: Keeping, sender: str, words: str, *, raises: bool) -> None:
    """As with the database: SOS alone, by whoever belongs to it or has its code."""
    stage = keeping.stage
    dive = over(keeping)
    with gone(stage.engine):
        keeping.hears(sender, words.format(ref=dive.reference, finish=dive.finish_code))
        assert ("ALARM AGAIN" in stage.last_to(DOV)) is raises
    keeping.look()
    stage.turn()

    assert (stage.dive(dive.id).phase is Phase.ALERT) is raises
    if raises:
        stage.text(DOV, f"SAFE 2 {dive.reference}")


@pytest.mark.parametrize(("seconds", "raises"), [(-60, True), (60, False)], ids=["just within", "just over"])
def test_two_hours_after_its_end_nothing_opens_a_dive(keeping: Keeping, seconds: float, *, raises: bool) -> None:
    """By when they said so, in the outage and in the record."""
    stage = keeping.stage
    dive = over(keeping)
    assert dive.closed_at is not None
    with gone(stage.engine):
        said_at = dive.closed_at + timedelta(hours=2, seconds=seconds)
        keeping.without(seconds=(said_at - stage.clock.at).total_seconds())
        keeping.spooled(ANNA, SOS)
        keeping.without(minutes=3)
        assert bool(raised(stage, CLEO)) is raises
    keeping.look()
    stage.turn()

    assert (stage.dive(dive.id).phase is Phase.CLOSED) is not raises
    if raises:
        stage.text(ANNA, "OUT")


def test_an_out_and_then_an_sos_in_one_outage(keeping_on_both: Keeping) -> None:
    """The OUT closes it by the copy alone; the SOS opens it again, and in the record the OUT of before ends nothing."""
    stage = keeping_on_both.stage
    dive = stage.dive_in()
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=30)
        keeping_on_both.spooled(ANNA, "OUT")
        keeping_on_both.hears(ANNA, SOS, minutes=20)
        assert len(raised(stage, CLEO)) == 1
        keeping_on_both.without(minutes=10)
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert stand_downs(stage, dive) == set()
    stage.text(ANNA, "OUT")
    assert stood_down(stage, CLEO)


def test_a_safe_and_then_an_sos_in_one_outage(keeping_on_both: Keeping) -> None:
    """A contact was wrong: the diver's SOS comes after it, so that in the record the SAFE of before it ends nothing."""
    stage = keeping_on_both.stage
    dive = armed(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        keeping_on_both.spooled(CLEO, f"SAFE 2 {dive.reference}")
        keeping_on_both.without(minutes=1)
        assert stood_down(stage, DOV)
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.without(seconds=10)
        assert all(raised(stage, phone) for phone in (CLEO, DOV))
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert stage.dive(dive.id).closings == 0
    stage.text(ANNA, "OUT")
    assert stood_down(stage, CLEO)


def test_a_start_of_the_outage_is_known_though_the_alarm_is_up_when_it_is_read(keeping_on_both: Keeping) -> None:
    """They went in and were overdue by the copy: the record knows since when, and does not take them for dry."""
    stage = keeping_on_both.stage
    dive = stage.file(plan(run_time_min=15))
    keeping_on_both.look()
    with gone(stage.engine):
        said_at = stage.clock.at
        keeping_on_both.spooled(ANNA, f"IN {dive.start_code}")
        keeping_on_both.without(minutes=35)
        assert len(alarms(stage, CLEO)) == 1
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert (after.phase, after.started_at, after.assumed) == (Phase.ALERT, said_at, False)
    stage.text(ANNA, "OUT")


def test_an_sos_of_a_dive_that_runs_keeps_its_time_and_its_answers(keeping_on_both: Keeping) -> None:
    """Raised in the outage at a known time and answered: the record goes on from there, with who said what when."""
    stage = keeping_on_both.stage
    dive = stage.dive_in()
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        said_at = stage.clock.at
        keeping_on_both.spooled(ANNA, SOS)
        keeping_on_both.without(minutes=1)
        keeping_on_both.spooled(CLEO, f"OK {dive.reference}")
        keeping_on_both.without(minutes=15)
    keeping_on_both.look()
    stage.turn()

    after = stage.dive(dive.id)
    assert after.alarm_at == said_at + timedelta(seconds=10)
    assert [one.key for one in after.acknowledged] == ["contact-0"]
    assert "10:03 says" in raised(stage, DOV)[-1]
    stage.text(ANNA, "OUT")


def test_what_others_ended_since_stays_ended(keeping_on_both: Keeping) -> None:
    """This keeper alone was cut off: the dive was raised and closed by others meanwhile, so who was told hears that."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, SOS)
    stage.clock.at += timedelta(seconds=10)
    stage.text(BRAM, "SOS")
    stage.text(DOV, f"SAFE 2 {dive.reference}")
    for path in keeping_on_both.spool.waiting():
        keeping_on_both.spool.drop(path)
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert stood_down(stage, CLEO)


def test_a_dive_that_ended_unseen_is_open_again_by_an_sos(keeping_on_both: Keeping) -> None:
    """The copy had it as running, the record as closed: the SOS came after the end, so nobody is stood down."""
    stage = keeping_on_both.stage
    dive = stage.dive_in()
    keeping_on_both.look()
    stage.text(ANNA, "OUT")
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, SOS)
    keeping_on_both.standby.look()
    stage.courier.carry()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert raised(stage, CLEO) == stage.to(CLEO)[-1:]
    keeping_on_both.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_merging_it_twice_changes_nothing(keeping_on_both: Keeping) -> None:
    """The journal comes back as from a crash before it was dropped: no entry and no message more."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        keeping_on_both.hears(ANNA, SOS)
    path = keeping_on_both.spool.keeper.journal
    journal = path.read_bytes()
    keeping_on_both.look()
    before = len(stage.entries(dive)), len(stage.messages(dive.id))
    path.write_bytes(journal)
    keeping_on_both.look()

    assert (len(stage.entries(dive)), len(stage.messages(dive.id))) == before
    stage.turn()
    stage.text(ANNA, "OUT")


def test_an_exercise_that_is_over_is_opened_by_nothing(keeping: Keeping) -> None:
    """Nobody would end it once more: its player hears whom to call, and the admin whom to phone."""
    stage = keeping.stage
    stage.file(plan(), drill=True)
    stage.turn()
    drill = stage.all_dives()[0]
    stage.text(ANNA, f"OUT {drill.finish_code}")
    keeping.look()
    told = len(stage.journal)
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, "SOS")
        keeping.without(seconds=30)
        assert sorted(one.to for one in stage.journal[told:]) == [ANNA, FINN, FINN]
    keeping.look()
    stage.turn()


def test_the_dive_that_runs_is_what_an_sos_is_about(keeping: Keeping) -> None:
    """Not the one before it that is over: as with the database."""
    stage = keeping.stage
    first = over(keeping)
    second = stage.dive_in(plan(contacts=plan_of(7).contacts))
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=3)
        told = len(stage.to(CLEO))
        keeping.spooled(ANNA, SOS)
        keeping.without(seconds=10)
        assert len(stage.to(CLEO)) == told
    keeping.look()
    stage.turn()

    assert (stage.dive(first.id).phase, stage.dive(second.id).phase) == (Phase.CLOSED, Phase.ALERT)
    stage.text(ANNA, f"OUT {second.finish_code}")


def test_a_contact_who_cannot_be_reached_is_known_afterwards(keeping: Keeping) -> None:
    """Their number is refused: the record tells them again by whatever way it has, and goes on to all others."""
    stage = keeping.stage
    dive = over(keeping)
    for gateway in (stage.first, stage.second):
        gateway.numbers[CLEO] = refuse(Blame.NUMBER)
    with gone(stage.engine):
        keeping.without(minutes=3)
        keeping.spooled(ANNA, SOS)
        keeping.without(seconds=20)
        assert raised(stage, DOV)
    keeping.look()

    assert "contact-1" in {one.key for one in stage.dive(dive.id).alerted}
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()
    stage.turn()
    stage.text(ANNA, "OUT")
