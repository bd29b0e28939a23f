"""Erasing a person: nothing of them is left but hashes, no open dive is touched, and every chain still verifies."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.operations import erasing, joining, people_files
from service.operations import people as known
from service.operations.admin_roles import AdminRole
from service.operations.erasing import ErasurePlan, Waits
from service.operations.people import PersonTyped
from service.operations.people_asking import ask_contact
from service.operations.plan_reading import NamedPhone
from service.operations.retention import DAYS_USUAL, erase_past
from service.operations.signing_in import SignedIn
from service.store import admins, opt_outs
from service.store.tables import Base
from tests.operations.conftest import staged_on
from tests.operations.stage import CLEO, CLUB, OURS, Stage, plan
from tests.operations.test_retention import sound

UNA, DIGITS, NAME = "+447700900088", "7700900088", "Una Fell"
DAY = timedelta(days=1)


def sitting(stage: Stage) -> SignedIn:
    """The club's owner at the desk."""
    [row] = stage.service.read(lambda session: admins.admins_to_tell(session, CLUB))
    return SignedIn(row.id, row.name, CLUB, "Skerry Bay Divers", "Europe/London", AdminRole.OWNER)


def una_of(stage: Stage) -> str:
    """The id of Una, who is a diver of the club with Cleo ashore."""
    typed = PersonTyped(NAME, UNA, "de", "Key holder", (NamedPhone("Cleo Marsh", CLEO),))
    found = known.add_person(stage.service, sitting(stage), typed)
    assert isinstance(found, str)
    return found


def left_of(stage: Stage) -> dict[str, int]:
    """In how many rows of each table the phone or the name of Una still is."""

    def work(session: Session) -> dict[str, int]:
        found = {}
        for table in Base.metadata.sorted_tables:
            rows = [repr(tuple(row)) for row in session.execute(select(table))]
            found[table.name] = sum(DIGITS in row or NAME in row for row in rows)
        return {name: count for name, count in found.items() if count}

    return stage.service.read(work)


def planned(stage: Stage, person_id: str) -> ErasurePlan:
    """What erasing them would do."""
    found = erasing.plan(stage.service, CLUB, person_id)
    assert found is not None
    return found


def erase(stage: Stage, person_id: str) -> bool | None:
    """Erase them as the owner."""
    return erasing.erase_person(stage.service, sitting(stage), person_id)


@pytest.fixture
def quick(sqlite_engine: Engine) -> Iterator[Stage]:
    """A stage on SQLite alone, of which the checker cannot ask everything: what it compares is erased."""
    with staged_on(sqlite_engine) as stage:
        yield stage


def test_nothing_is_left_of_a_person_but_hashes_and_the_log_verifies(unchecked: Stage) -> None:
    """A diver with a dive that is over, a contact of somebody, asked, in a list being imported and a form to join."""
    stage = unchecked
    una = una_of(stage)
    kit = known.add_person(
        stage.service, sitting(stage), PersonTyped("Kit Hale", "07700 900079", contacts=(NamedPhone(NAME, UNA),))
    )
    assert isinstance(kit, str)
    ask_contact(stage.service, sitting(stage), kit, UNA)
    stage.courier.carry()
    stage.text(UNA, "IN LANTERN 50 P1")
    stage.text(UNA, "out")
    stage.text(UNA, "what a day")
    people_files.look_at(stage.service, sitting(stage), f"name,phone\n{NAME},{UNA}\n".encode())
    stage.wait(DAY, step=timedelta(hours=6))
    form = joining.begin(stage.service, CLUB, PersonTyped("Finn Lowe", "", contacts=(NamedPhone(NAME, UNA),)))
    assert isinstance(form, str)
    seen = planned(stage, una)
    assert (seen.dives_now, seen.waiting, seen.named_by, seen.refuses) == (1, (), ("Kit Hale",), False)

    assert erase(stage, una) is True

    assert left_of(stage) == {}
    sound(stage.engine)
    assert known.listing(stage.service, CLUB, "kit")[0][0].contacts == ()
    [done] = erasing.listing(stage.service, CLUB)
    assert (done.done_at, done.ends_in) == (stage.clock.at, None)
    kinds = [entry.kind for entry in stage.entries(chain=f"club:{CLUB}")]
    assert {"person_erasure_asked", "details_erased", "person_erased"} <= set(kinds)


def test_an_open_dive_is_never_touched_and_the_wish_waits_for_it(quick: Stage) -> None:
    """It alarms as every other; a day after it was closed all goes by itself."""
    stage = quick
    una = una_of(stage)
    stage.text(UNA, "IN LANTERN 50 P1")
    [dive] = stage.all_dives()
    before = stage.dive(dive.id)
    assert [one.why for one in planned(stage, una).waiting] == [Waits.OPEN]

    assert erase(stage, una) is False

    assert stage.dive(dive.id) == before
    stage.wait(minutes=45)
    assert "10:50" in stage.last_to(UNA)
    stage.text(UNA, "out")
    assert erasing.erase_due(stage.service) == 0
    [wish] = erasing.listing(stage.service, CLUB)
    assert [one.why for one in wish.waiting] == [Waits.JUST_CLOSED]
    assert wish.ends_in == "088"
    stage.wait(DAY, step=timedelta(hours=6))
    assert erasing.erase_due(stage.service) == 1

    assert left_of(stage) == {}
    sound(stage.engine)


def test_a_text_that_waits_for_its_answer_is_read_before_its_sender_is_erased(quick: Stage) -> None:
    """The finish of a dive may come from any phone: it must not be lost, and the dive is found by it from then on."""
    stage = quick
    una, dive = una_of(stage), stage.dive_in()
    lent = stage.receive(UNA, f"OUT {dive.finish_code}")
    assert lent is not None

    assert erase(stage, una) is False
    stage.answer(lent)
    stage.courier.carry()

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert erasing.erase_due(stage.service) == 0
    [wish] = erasing.listing(stage.service, CLUB)
    assert [(one.reference, one.why) for one in wish.waiting] == [(dive.reference, Waits.JUST_CLOSED)]
    stage.wait(DAY, step=timedelta(hours=6))
    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}
    sound(stage.engine)


def test_a_dive_with_an_alarm_is_kept_as_the_proof_of_it_until_its_time_is_over(quick: Stage) -> None:
    """Everything else of the person goes before; the wish is done when the club's time for such records is."""
    stage = quick
    una = una_of(stage)
    stage.text(UNA, "what is this")
    stage.text(UNA, "IN LANTERN 50 P1")
    stage.wait(minutes=66)
    stage.text(UNA, "out")
    [dive] = stage.all_dives()
    stage.wait(DAY, step=timedelta(hours=6))
    [waiting] = planned(stage, una).waiting
    assert (waiting.why, waiting.until_at) == (Waits.ALARM, (dive.closed_at or dive.filed_at) + timedelta(days=180))

    assert erase(stage, una) is False

    left = left_of(stage)
    assert not {"people", "reaches", "people_imports", "joins", "opt_outs"} & set(left)
    assert stage.dive(dive.id).lead.name == NAME
    assert not any("what is this" in str(entry.detail) for entry in stage.entries(chain=f"club:{CLUB}"))
    stage.clock.at += timedelta(days=DAYS_USUAL)
    erase_past(stage.service)
    stage.clock.at += DAY
    erase_past(stage.service)
    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}
    sound(stage.engine)


@pytest.mark.parametrize("word", ["STOP", "DECLINE"])
def test_who_wanted_no_texts_gets_none_after_being_erased_either(unchecked: Stage, word: str) -> None:
    """A hash of the number is kept: the next plan that names it hears that, and texts nobody."""
    stage = unchecked
    una = una_of(stage)
    stage.dive_in(plan(contacts=(NamedPhone("Cleo Marsh", CLEO), NamedPhone(NAME, UNA))))
    stage.text(UNA, word)
    stage.text("+447700900001", "out 2")
    stage.wait(DAY, step=timedelta(hours=6))
    assert planned(stage, una).refuses
    assert erase(stage, una) is True
    assert left_of(stage) == {}
    sent = len(stage.to(UNA))

    dive = stage.dive_in(plan(contacts=(NamedPhone("Cleo Marsh", CLEO), NamedPhone("U. Fell", UNA))))

    assert len(stage.to(UNA)) == sent
    assert "contact-1" in dive.unreachable
    assert stage.service.read(lambda session: opt_outs.is_opted_out(session, OURS, UNA))
    stage.text("+447700900001", "out 2")


def test_who_comes_back_can_have_our_texts_again(quick: Stage) -> None:
    """START from the same phone finds the hash and ends it."""
    una = una_of(quick)
    quick.text(UNA, "STOP")
    assert erase(quick, una) is True

    [answer] = quick.text(UNA, "START")

    assert "you get our texts again" in answer
    assert not quick.service.read(lambda session: opt_outs.is_opted_out(session, OURS, UNA))


def test_nobody_of_another_club_is_erased(quick_stage: Stage) -> None:
    """An id of another club is as one of nobody."""
    una, finn = una_of(quick_stage), sitting(quick_stage)
    far = SignedIn(finn.admin_id, "Gus Orr", "far", "Far Reef", "Europe/London", AdminRole.OWNER)

    assert erasing.erase_person(quick_stage.service, far, una) is None
    assert erasing.plan(quick_stage.service, "far", una) is None
    assert erasing.erase_person(quick_stage.service, finn, "nobody") is None
    assert left_of(quick_stage) == {"people": 1}


def test_many_dives_go_in_several_turns(quick: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that no alarm waits for one long transaction."""
    monkeypatch.setattr(erasing, "DIVES_AT_ONCE", 1)
    monkeypatch.setattr(erasing, "TURNS_MAX", 2)
    una = una_of(quick)
    for _ in range(5):
        quick.text(UNA, "IN LANTERN 50 P1")
        quick.sleep(30)
        quick.text(UNA, "out")
    quick.wait(DAY, step=timedelta(hours=12))

    assert erase(quick, una) is False
    assert [erasing.erase_due(quick.service) for _ in range(2)] == [0, 1]
    assert left_of(quick) == {}
