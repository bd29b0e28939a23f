"""Two clubs on the gateways of one installation: a club's texts come from its own number as long as they can."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from service.domain.people import Channel
from service.operations.club_senders import ClubSenders, KnownSenders, club_senders, unsent
from service.operations.gateway import Blame, OwnNumber, Route
from service.operations.outage_carrying import OutageCourier
from service.operations.outage_journal import Journal
from service.operations.own_numbers import Receiving
from service.operations.spooling import KeeperFiles
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import (
    CLEO,
    CLUB,
    OURS,
    HandMovedClock,
    Stage,
    break_down,
    courier_of,
    refuse,
    time_out,
)
from tests.operations.test_outage_carrying import ALARM
from tests.operations.test_own_numbers_answered import SECOND, THEIRS, second_club

HOME, AWAY = Receiving(OURS, "GB"), Receiving(THEIRS, "GB")
BOTH = {CLUB: HOME, "other": AWAY}


def sends(stage: Stage, *own: OwnNumber) -> None:
    """Another club is there, the first gateway is for it and comes first in the settings, and the second is ours."""
    second_club(stage)
    stage.sends_from(*(own or (OwnNumber("first", THEIRS), OwnNumber("second", OURS))))
    stage.courier.close()
    stage.courier = courier_of(stage.service, [stage.first, stage.second])


def carriers(stage: Stage) -> set[str]:
    """The gateways that took something."""
    return {taken.gateway for taken in stage.journal}


def test_all_that_a_club_sends_comes_from_its_own_number(stage: Stage) -> None:
    """From the codes to the stand-down, though the other club's gateway is before its own in the settings."""
    sends(stage)

    dive = stage.dive_in()
    stage.wait(minutes=100)
    stage.text(CLEO, f"SAFE 2 {dive.reference}")

    assert len(stage.journal) > 12
    assert carriers(stage) == {"second"}


def test_a_gateway_that_its_settings_give_to_the_club_is_its_own(stage: Stage) -> None:
    """Its sender is no club's number: what is answered to it is heard as to the club that is named."""
    sends(stage, OwnNumber("first", THEIRS), OwnNumber("second", SECOND, OURS))

    stage.dive_in()

    assert carriers(stage) == {"second"}


@pytest.mark.parametrize(
    "fault", [time_out, break_down, refuse(Blame.GATEWAY), refuse(Blame.NO_ROUTE)], ids=["out", "broken", "no", "route"]
)
def test_an_alarm_that_its_own_gateway_does_not_take_goes_by_the_other_clubs(stage: Stage, fault: object) -> None:
    """Whom to answer is in the text; one from a number that is not the club's is better than none."""
    sends(stage)
    dive = stage.dive_in()
    stage.second.usually = fault

    stage.wait(minutes=70)

    assert "alert" in {one.step.rpartition("-")[0] for one in stage.messages(dive.id)}
    assert any("OVERDUE" in taken.body and taken.to == CLEO for taken in stage.first.taken)
    stage.second.usually = stage.first.usually


def test_an_alarm_waits_for_no_slot_of_its_own_and_all_else_does(unchecked: Stage) -> None:
    """Seconds count only in an alarm: whoever answers it to the wrong number is told which is the right one."""
    stage = unchecked
    stage.second.route = Route(segments_per_s=0.1)
    sends(stage)
    first, second = stage.dive_in(), stage.dive_in()
    stage.wait(minutes=60)
    before = len(stage.journal)
    stage.sleep(5)

    stage.turn()

    alerts = [taken for taken in stage.journal[before:] if "OVERDUE" in taken.body]
    assert {taken.gateway for taken in alerts} == {"first", "second"}
    assert {taken.at for taken in alerts} == {stage.clock.at}
    for dive in (first, second):
        stage.text(CLEO, f"SAFE 2 {dive.reference}")
        stage.wait(minutes=5)
    calm = [taken for taken in stage.journal if "OVERDUE:" not in taken.body and "stand down" not in taken.body]
    assert {taken.gateway for taken in calm} == {"second"}


def test_a_start_notice_goes_by_the_other_clubs_gateway_where_its_own_is_down(stage: Stage) -> None:
    """A dive is armed all the same: what a contact holds counts, whatever number it came from."""
    sends(stage)
    stage.second.usually = refuse(Blame.GATEWAY)

    dive = stage.dive_in()

    assert dive.armed_at is not None


def test_a_club_that_no_gateway_is_for_sends_by_the_others_as_ever(stage: Stage) -> None:
    """In the order of the settings."""
    sends(stage, OwnNumber("first", THEIRS), OwnNumber("second", THEIRS))

    stage.dive_in()

    assert carriers(stage) == {"first"}


def test_an_alarm_without_the_database_comes_from_the_clubs_own_number_too(keeping: Keeping) -> None:
    """The keeper's snapshot has the clubs and their numbers; where its own does not take it, the other's does."""
    stage = keeping.stage
    sends(stage)
    keeping.start_again()
    armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=4)
    keeping.look()
    stage.turn()

    assert alarms(stage, CLEO)
    assert stage.first.taken == []


def test_without_the_database_the_other_clubs_gateway_takes_what_its_own_does_not(
    unchecked: Stage, tmp_path: Path
) -> None:
    """An alarm is never given up for a number."""
    stage = unchecked
    files = KeeperFiles(tmp_path, "s" * 40)
    files.directory.mkdir(parents=True)
    senders = club_senders(BOTH, (OwnNumber("first", THEIRS), OwnNumber("second", OURS)))
    clock = HandMovedClock()
    courier = OutageCourier(Journal(files), [stage.first, stage.second], clock, club_senders=senders)
    stage.second.next = [refuse(Blame.GATEWAY)]

    courier.add([ALARM])
    courier.carry(0.5)
    clock.at += timedelta(minutes=1)
    courier.carry(0.5)

    assert [one.to for one in stage.second.asked] == [CLEO]
    assert [one.to for one in stage.first.taken] == [CLEO]


def test_a_club_that_is_made_while_a_courier_runs_is_known_to_it(stage: Stage) -> None:
    """It is asked about again for a club that is new, and only then."""
    known = KnownSenders((OwnNumber("first", THEIRS), OwnNumber("second", OURS)))
    before = stage.service.read(lambda session: known.first(session, CLUB, Channel.TEXT))
    second_club(stage)

    after = stage.service.read(lambda session: known.first(session, "other", Channel.TEXT))

    assert (set(before), set(after)) == ({"first", "second"}, {"first"})
    assert stage.service.read(lambda session: known.first(session, CLUB, Channel.TEXT)) == {"second"}


def test_a_club_that_is_not_there_has_no_gateway(stage: Stage) -> None:
    """Nor has one where there is nothing to choose."""
    several = KnownSenders((OwnNumber("first", THEIRS), OwnNumber("second", OURS)))
    alone = KnownSenders((OwnNumber("second", OURS),))

    assert stage.service.read(lambda session: several.first(session, "none", Channel.TEXT)) == ()
    assert stage.service.read(lambda session: alone.first(session, CLUB, Channel.TEXT)) == ()


def test_an_email_has_no_number(quick_stage: Stage) -> None:
    """Nobody answers one by text."""
    senders = ClubSenders({CLUB: frozenset({"second"})})

    assert senders.first(CLUB, Channel.EMAIL) == ()
    assert set(senders.first(CLUB, Channel.CALL)) == {"second"}
    assert quick_stage.journal == []


@pytest.mark.parametrize(
    ("known", "own", "left"),
    [
        ([HOME], [OwnNumber("first", SECOND)], []),
        ([HOME, AWAY], [OwnNumber("first", OURS), OwnNumber("second", THEIRS)], []),
        ([HOME, AWAY], [OwnNumber("first", OURS), OwnNumber("second", SECOND, THEIRS)], []),
        ([HOME, AWAY], [OwnNumber("first", OURS), OwnNumber("second", SECOND)], [THEIRS]),
        ([HOME, AWAY], [OwnNumber("first", SECOND)], [OURS, THEIRS]),
    ],
    ids=["the only club", "each its own", "by the settings", "one has none", "none has one"],
)
def test_a_club_for_which_no_gateway_has_a_number_is_known(
    known: list[Receiving], own: Sequence[OwnNumber], left: list[str]
) -> None:
    """By its receiving number."""
    assert unsent(known, own) == left
