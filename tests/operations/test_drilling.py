"""Exercises from start to end, on both databases: whom they tell, what stops them, and what they must never touch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import delete
from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import RaiseNow, Tick
from service.domain.people import Actor, Role, Via
from service.operations import drill_watch
from service.operations.admin_roles import AdminRole
from service.operations.drill_people import MYSELF, who_can
from service.operations.drill_report import drill_report
from service.operations.drilling import (
    DRILLS_A_DAY,
    DrillRefused,
    DrillStarted,
    DrillWanted,
    start_drill,
    stop_drill,
)
from service.operations.plan_reading import NamedPhone
from service.operations.recording import act
from service.operations.signing_in import SignedIn
from service.operations.sweeping import sweep
from service.store import admins, drills, log, outbox, people, reaches
from service.store.tables import DrillRow, ReachRow
from tests.operations.stage import ANNA, CLEO, CLUB, DOV, EDDA, FINN, Stage, plan_of

SECOND = timedelta(seconds=1)


def finn(stage: Stage) -> SignedIn:
    """The club's admin, at the desk."""
    row = stage.service.read(lambda session: admins.admins_to_tell(session, CLUB)[0])
    return SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)


def with_people(stage: Stage, *agreed: str) -> None:
    """Anna, who is known with three usual contacts, of whom these have agreed."""

    def work(session: Session) -> None:
        usual = (("Cleo Marsh", CLEO), ("Dov Lind", DOV), ("Edda Rowe", EDDA))
        session.execute(delete(ReachRow))
        for one in people.listing(session, CLUB):
            contacts = [{"name": name, "phone": phone} for name, phone in usual] if one.phone == ANNA else []
            people.change(session, CLUB, one.id, {"usual_contacts": contacts})
        for phone in agreed:
            reaches.decide(session, CLUB, phone, "agreed", stage.clock.at)

    stage.service.write(work)


WANTED = DrillWanted(site="LANTERN", player=MYSELF, due_out_min=5, grace_min=5, contacts=(CLEO, DOV))


def begun(stage: Stage, wanted: DrillWanted = WANTED) -> str:
    """An exercise that runs; its id."""
    started = start_drill(stage.service, finn(stage), wanted)
    assert isinstance(started, DrillStarted), started
    return started.drill_id


def refused(stage: Stage, wanted: DrillWanted) -> DrillRefused:
    """Why it does not begin."""
    answer = start_drill(stage.service, finn(stage), wanted)
    assert isinstance(answer, DrillRefused), answer
    return answer


def drill(stage: Stage, drill_id: str) -> DrillRow:
    """The exercise as it stands."""
    found = stage.service.read(lambda session: drills.get(session, CLUB, drill_id))
    assert found is not None
    return found


def dives_of(stage: Stage, drill_id: str) -> list[Dive]:
    """Its dives as they stand."""
    return [stage.dive(one) for one in stage.service.read(lambda session: drills.dive_ids(session, drill_id))]


def real_alarm(stage: Stage, site: str = "LANTERN", contacts: tuple[str, ...] = ()) -> Dive:
    """Somebody raises the alarm for a real dive."""
    dive = stage.file(plan_of(7, contacts, site=site))
    return raised(stage, dive)


def raised(stage: Stage, dive: Dive) -> Dive:
    """The admin raises the alarm for it."""
    admin = finn(stage)
    by = Actor(Role.ADMIN, admin.name, Via.PAGE, key=f"admin-{admin.admin_id}")
    act(stage.service, dive.id, RaiseNow(by))
    return stage.dive(dive.id)


def test_a_drill_is_the_real_ladder_with_its_mark_first_in_every_text(stage: Stage) -> None:
    """Start notice, reminders, alert, answer and stand-down, by the same way as any dive's."""
    with_people(stage)
    drill_id = begun(stage)
    stage.wait(minutes=12, step=timedelta(minutes=1))
    [dive] = dives_of(stage, drill_id)

    assert dive.drill
    assert dive.phase is Phase.ALERT
    assert any("OVERDUE" in text for text in stage.to(CLEO))
    assert any("ARMED" in text for text in stage.to(FINN))
    stage.text(CLEO, f"OK {dive.reference}")
    assert [told.key for told in stage.dive(dive.id).acknowledged] == ["contact-0"]
    stage.text(CLEO, f"SAFE 1 {dive.reference}")
    stage.turn()

    assert drill(stage, drill_id).ending == drill_watch.ANSWERED
    assert drill(stage, drill_id).ended_at == stage.clock.at
    assert stage.journal
    assert all(taken.body.startswith("EXERCISE.") for taken in stage.journal)


def test_the_report_tells_apart_contacts_of_one_name(stage: Stage) -> None:
    """One answers, the other does not: nobody may take from it that both did."""
    with_people(stage)
    names = (("Mum", CLEO), ("Mum", DOV))

    def work(session: Session) -> None:
        for one in people.listing(session, CLUB):
            if one.phone == ANNA:
                contacts = [{"name": name, "phone": phone} for name, phone in names]
                people.change(session, CLUB, one.id, {"usual_contacts": contacts})

    stage.service.write(work)
    drill_id = begun(stage)
    stage.wait(minutes=16, step=timedelta(minutes=1))
    [dive] = dives_of(stage, drill_id)
    stage.text(CLEO, f"OK {dive.reference}")

    report = drill_report(stage.service, CLUB, drill_id)
    assert report is not None
    [told] = report.dives
    assert [(answer.key, answer.name) for answer in told.answers] == [("contact-0", "Mum")]
    assert told.silent == ("Mum",)


def test_a_drill_of_the_club_tells_each_contact_who_agreed_a_minute_apart(stage: Stage) -> None:
    """A dive each; who never agreed, or declined, hears nothing."""
    with_people(stage, CLEO, DOV)
    drill_id = begun(stage, replace(WANTED, whole_club=True, contacts=()))
    found = dives_of(stage, drill_id)

    assert [[contact.phone for contact in dive.contacts] for dive in found] == [[CLEO], [DOV]]
    assert [dive.plan.run_time for dive in found] == [timedelta(minutes=5), timedelta(minutes=6)]
    stage.wait(minutes=12, step=timedelta(minutes=1))
    assert all("OVERDUE" in " ".join(stage.to(phone)) for phone in (CLEO, DOV))
    assert stage.to(EDDA) == []


def test_an_admin_ends_a_drill_and_everybody_hears_it(stage: Stage) -> None:
    """What waits is withdrawn, and the log has whose word it was."""
    with_people(stage)
    drill_id = begun(stage)
    stage.wait(minutes=11, step=timedelta(minutes=1))

    assert stop_drill(stage.service, finn(stage), drill_id)
    stage.turn()
    [dive] = dives_of(stage, drill_id)

    assert dive.phase is Phase.CLOSED
    assert dive.closed_by is not None
    assert dive.closed_by.name == finn(stage).name
    assert "the exercise is over. Said by" in stage.last_to(CLEO)
    assert drill(stage, drill_id).ending == drill_watch.STOPPED
    kinds = [entry.kind for entry in stage.entries(chain=log.club_chain(CLUB))]
    assert [kind for kind in kinds if kind.startswith("drill")] == ["drill_started", "drill_stopped", "drill_ended"]
    assert not stop_drill(stage.service, finn(stage), "no such drill")


def test_a_drill_that_nobody_ends_ends_by_itself(stage: Stage) -> None:
    """Distress would be told every ten minutes for ever."""
    with_people(stage)
    drill_id = begun(stage)
    ends_at = drill(stage, drill_id).ends_at
    while stage.clock.at < ends_at:
        stage.wait(minutes=5)

    assert drill(stage, drill_id).ending == drill_watch.TIME
    assert all(dive.phase is Phase.CLOSED for dive in dives_of(stage, drill_id))


Alarm = Callable[[Stage], Dive]
RAISED: dict[str, tuple[Alarm, bool]] = {
    "at the same site": (real_alarm, True),
    "at another site": (lambda stage: real_alarm(stage, "SLIP"), False),
    "of one of its contacts": (lambda stage: real_alarm(stage, "SLIP", (CLEO, "+447700900350")), True),
}


@pytest.mark.parametrize("where", RAISED)
def test_a_real_alarm_ends_a_drill_within_a_second_where_it_concerns_it(stage: Stage, where: str) -> None:
    """The next sweep calls it off; its contacts hear why, and its messages that wait are withdrawn."""
    raise_, concerns = RAISED[where]
    with_people(stage)
    drill_id = begun(stage)
    stage.wait(minutes=11, step=timedelta(minutes=1))
    alarm = raise_(stage)

    stage.clock.at += SECOND
    stage.turn()
    [dive] = dives_of(stage, drill_id)

    assert (dive.phase is Phase.CLOSED) is concerns
    assert stage.dive(alarm.id).phase is Phase.ALERT
    if concerns:
        assert drill(stage, drill_id).ending == drill_watch.REAL_ALARM
        assert any("the exercise is over because of a real alarm." in text for text in stage.to(CLEO))
        assert not [one for one in stage.messages(dive.id) if one.state in (outbox.QUEUED, outbox.LEASED)]


def test_any_real_alarm_of_the_club_ends_a_drill_of_the_whole_club(stage: Stage) -> None:
    """Whatever its site."""
    with_people(stage, CLEO, DOV)
    drill_id = begun(stage, replace(WANTED, whole_club=True))
    real_alarm(stage, "SLIP")
    stage.clock.at += SECOND
    sweep(stage.service)

    assert [dive.phase for dive in dives_of(stage, drill_id)] == [Phase.CLOSED, Phase.CLOSED]


def test_an_alarm_by_the_clock_ends_a_drill_in_the_same_sweep(stage: Stage) -> None:
    """And the real alert is committed first, by a transaction that knows of no drill."""
    with_people(stage)
    real = stage.dive_in(plan_of(7, run_time_min=5, grace_min=5))
    stage.wait(minutes=1)
    drill_id = begun(stage, replace(WANTED, due_out_min=30))
    stage.clock.at = stage.dive(real.id).raise_by_at or stage.clock.at
    sweep(stage.service)

    assert stage.dive(real.id).phase is Phase.ALERT
    assert drill(stage, drill_id).ending == drill_watch.REAL_ALARM
    assert [dive.phase for dive in dives_of(stage, drill_id)] == [Phase.CLOSED]


def test_whoever_is_in_both_gets_the_real_alarm_before_anything_of_the_drill(stage: Stage) -> None:
    """The stand-down of the exercise, and its alert of the same second, come behind."""
    with_people(stage)
    real = stage.file(plan_of(7, (CLEO, DOV)))
    drill_id = begun(stage, replace(WANTED, contacts=(CLEO,)))
    stage.turn()
    stage.clock.at += timedelta(minutes=10)
    sweep(stage.service)  # the alert of the drill waits
    before = len(stage.to(CLEO))
    alarm = raised(stage, real)
    sweep(stage.service)
    stage.courier.carry()

    after = stage.to(CLEO)[before:]
    assert not after[0].startswith("EXERCISE"), after
    assert alarm.reference in after[0]
    assert [dive.phase for dive in dives_of(stage, drill_id)] == [Phase.CLOSED]


def test_a_drill_that_cannot_be_called_off_blocks_nothing(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The real alarm goes out as ever; after some tries the drill counts as over, and says what is left open."""
    with_people(stage)
    drill_id = begun(stage)

    def fail(*_: object) -> None:
        raise RuntimeError("a fault in ending drills")

    monkeypatch.setattr(drill_watch, "act", fail)
    alarm = real_alarm(stage)
    for _ in range(drill_watch.TRIES_MAX):
        stage.clock.at += SECOND
        stage.turn()

    assert stage.dive(alarm.id).phase is Phase.ALERT
    assert any(alarm.reference in taken.body and not taken.body.startswith("EXERCISE") for taken in stage.journal)
    assert (drill(stage, drill_id).left_open, drill(stage, drill_id).ended_at) == (1, stage.clock.at)
    assert "drill_dive_not_ended" in caplog.text
    monkeypatch.undo()
    [dive] = dives_of(stage, drill_id)
    stop_drill(stage.service, finn(stage), drill_id)  # over is over
    act(stage.service, dive.id, Tick())


def test_a_broken_look_at_drills_costs_the_sweep_nothing(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Not even where the list of drills cannot be read."""
    with_people(stage)
    begun(stage)

    def fail(*_: object) -> None:
        raise RuntimeError("a fault in reading drills")

    monkeypatch.setattr(drills, "open_ones", fail)
    alarm = real_alarm(stage)
    stage.turn()

    assert stage.dive(alarm.id).phase is Phase.ALERT
    assert stage.service.read(lambda session: outbox.of_dive(session, alarm.id))[0].handed_at is not None
    assert "drills_not_looked_after" in caplog.text


def test_no_drill_begins_beside_a_real_alarm(stage: Stage) -> None:
    """At its site, with its people, or for the whole club; elsewhere one may."""
    with_people(stage, CLEO, DOV)
    alarm = real_alarm(stage, "SLIP", (CLEO, "+447700900350"))

    assert refused(stage, replace(WANTED, site="SLIP", contacts=(DOV,))).field == "site"
    assert alarm.reference in refused(stage, replace(WANTED, contacts=(CLEO,))).words
    assert refused(stage, replace(WANTED, whole_club=True)).field == "site"
    assert begun(stage, replace(WANTED, contacts=(DOV,)))


def test_nobody_plays_the_diver_who_is_in_the_water(stage: Stage) -> None:
    """Their OUT would then be asked about, of which dive it is, and until they answered the real clock would go on."""
    with_people(stage)
    dive = stage.dive_in(replace(plan_of(7), lead=NamedPhone("Finn Adair", FINN)))

    answer = refused(stage, WANTED)
    assert (answer.field, dive.reference in answer.words) == ("player", True)
    stage.text(FINN, "OUT")
    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert begun(stage)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"site": "NOWHERE"}, "site"),
        ({"due_out_min": 4.9}, "due_out"),
        ({"due_out_min": 61}, "due_out"),
        ({"due_out_min": float("nan")}, "due_out"),
        ({"grace_min": 4}, "grace"),
        ({"grace_min": 16}, "grace"),
        ({"grace_min": float("nan")}, "grace"),
        ({"player": "nobody"}, "player"),
        ({"contacts": ()}, "contacts"),
        ({"contacts": (CLEO, "+447700900999")}, "contacts"),
        ({"whole_club": True}, "contacts"),
    ],
)
def test_what_cannot_be_is_refused_with_the_field_and_nothing_is_sent(
    stage: Stage, changes: dict[str, object], field: str
) -> None:
    """Nobody agreed yet, so a drill of the whole club would tell nobody; a stranger's phone cannot be chosen."""
    with_people(stage)

    assert refused(stage, replace(WANTED, **changes)).field == field  # type: ignore[arg-type]
    stage.turn()
    assert stage.journal == []
    assert stage.service.read(lambda session: drills.listing(session, CLUB, 9)) == []


def test_who_declined_or_opted_out_cannot_be_chosen(stage: Stage) -> None:
    """They said no to the club, and an exercise is no exception."""
    with_people(stage, CLEO)
    stage.service.write(lambda session: reaches.decide(session, CLUB, CLEO, "declined", stage.clock.at))
    stage.text(DOV, "STOP")
    known = who_can(stage.service, finn(stage))

    assert [contact.phone for contact in known.contacts] == [EDDA]
    assert {name for name, _ in known.left_out} == {"Cleo Marsh", "Dov Lind"}
    assert refused(stage, WANTED).field == "contacts"


def test_one_drill_at_a_time_and_so_many_a_day(stage: Stage) -> None:
    """Nobody is told two things at once, and no desk can text people all day."""
    with_people(stage)
    for _ in range(DRILLS_A_DAY):
        drill_id = begun(stage)
        assert "is running" in refused(stage, WANTED).words
        stop_drill(stage.service, finn(stage), drill_id)
        stage.clock.at += timedelta(minutes=1)

    assert "24 hours" in refused(stage, WANTED).words
    stage.clock.at += timedelta(days=1)
    assert begun(stage)


def test_a_real_alarm_while_a_drill_of_the_club_is_begun_lets_no_more_dives_be_filed(stage: Stage) -> None:
    """The first dive is there, the alarm comes, and the rest is not begun."""
    with_people(stage, CLEO, DOV, EDDA)
    original = drills.get
    seen: list[str] = []

    def end_it_after_the_first(session: Session, club_id: str, drill_id: str) -> DrillRow | None:
        if not seen:
            seen.append(drill_id)
            drills.let_end(session, drill_id, drill_watch.REAL_ALARM, "Linetender")
        return original(session, club_id, drill_id)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drills, "get", end_it_after_the_first)
        drill_id = begun(stage, replace(WANTED, whole_club=True))

    assert len(dives_of(stage, drill_id)) == 1
