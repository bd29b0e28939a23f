"""Two who change the people of a club at the same instant: the second sees what the first did."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine

from service.operations import desk_log, joining, people_files, people_merging
from service.operations import people as known
from service.operations.erasing import erase_person
from service.operations.inbound import answer_text
from service.operations.people import PersonTyped
from service.operations.plan_reading import NamedPhone
from service.operations.signing_in import SignedIn
from service.store import people
from tests.operations.conftest import staged_on
from tests.operations.stage import ANNA, BRAM, CLEO, CLUB, DOV, Stage
from tests.operations.test_people import IVO, UNA, added, id_of, of, sitting

pytestmark = pytest.mark.postgres

FAR_ENOUGH_S = 0.5  # for the second to come to where it has to wait


@pytest.fixture
def stage(postgres_engine: Engine) -> Iterator[Stage]:
    """A stage on PostgreSQL: SQLite has one writer."""
    with staged_on(postgres_engine) as stage:
        yield stage


@contextmanager
def pausing(monkeypatch: pytest.MonkeyPatch, kind: str) -> Iterator[tuple[threading.Event, threading.Event]]:
    """The first that logs that kind stands still before its commit, until it may go on."""
    real, there, go_on = desk_log.note, threading.Event(), threading.Event()

    def note(*given: Any) -> None:
        real(*given)
        if given[3] == kind and not there.is_set():
            there.set()
            assert go_on.wait(20)

    with monkeypatch.context() as patch:
        patch.setattr(desk_log, "note", note)
        yield there, go_on


def at_once(
    monkeypatch: pytest.MonkeyPatch, kind: str, first: Callable[[], Any], second: Callable[[], Any]
) -> tuple[Any, Any]:
    """What the first gives, which stands still before its commit while the second begins, and the second."""
    with pausing(monkeypatch, kind) as (there, go_on), ThreadPoolExecutor(max_workers=2) as pool:
        one = pool.submit(first)
        assert there.wait(20)
        other = pool.submit(second)
        other_done = threading.Event()
        other.add_done_callback(lambda _: other_done.set())
        other_done.wait(FAR_ENOUGH_S)
        go_on.set()
        return one.result(30), other.result(30)


def contacts_of(stage: Stage, person_id: str) -> list[str]:
    """The phones of somebody's contacts."""
    return [one.phone for one in of(stage, person_id).contacts]


def counting_on(stage: Stage, finn: SignedIn, *phones: str) -> str:
    """Somebody whose contacts have these phones; gives their id."""
    contacts = tuple(NamedPhone(f"Friend {phone[-2:]}", phone) for phone in phones)
    return added(stage, finn, PersonTyped("Wen", "+447700900066", contacts=contacts))


def test_nobody_is_lost_between_two_merges_of_one_person(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """One keeps Anna and drops her twin, the other keeps the twin and drops Bram: the second finds no twin."""
    finn = sitting(stage)
    twin_id = added(stage, finn, PersonTyped("Anna Holt", UNA))
    anna_id, bram_id = id_of(stage, ANNA), id_of(stage, BRAM)
    merge = partial(people_merging.merge, stage.service, finn, other_phone=False)

    done = at_once(monkeypatch, "people_merged", partial(merge, anna_id, twin_id), partial(merge, twin_id, bram_id))

    assert done == (True, False)
    assert known.one(stage.service, CLUB, bram_id) is not None


def test_two_merges_the_other_way_round_keep_one_of_them(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each admin keeps the one whom the other drops."""
    finn = sitting(stage)
    twin_id, anna_id = added(stage, finn, PersonTyped("Anna Holt", UNA)), id_of(stage, ANNA)
    merge = partial(people_merging.merge, stage.service, finn, other_phone=True)

    done = at_once(monkeypatch, "people_merged", partial(merge, anna_id, twin_id), partial(merge, twin_id, anna_id))

    assert done == (True, False)
    assert of(stage, anna_id).phone == UNA


def test_who_counts_on_two_that_are_merged_counts_on_both_that_stay(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second merge does not bring back the number that the first took out: it is nobody's any more."""
    finn = sitting(stage)
    annas = added(stage, finn, PersonTyped("Anna Holt", UNA))
    brams = added(stage, finn, PersonTyped("Bram Vik", IVO))
    wen = counting_on(stage, finn, UNA, IVO)
    merge = partial(people_merging.merge, stage.service, finn, other_phone=False)
    anna_id, bram_id = id_of(stage, ANNA), id_of(stage, BRAM)

    done = at_once(monkeypatch, "people_merged", partial(merge, anna_id, annas), partial(merge, bram_id, brams))

    assert done == (True, True)
    assert contacts_of(stage, wen) == [ANNA, BRAM]


def test_who_is_erased_is_not_brought_back_by_a_merge(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Their number stays out of the contacts of whoever counted on them and on one that is merged."""
    finn = sitting(stage)
    twin_id, ivo_id = added(stage, finn, PersonTyped("Anna Holt", UNA)), added(stage, finn, PersonTyped("Ivo", IVO))
    wen, anna_id = counting_on(stage, finn, UNA, IVO), id_of(stage, ANNA)
    merge = partial(people_merging.merge, stage.service, finn, anna_id, twin_id, other_phone=False)

    at_once(monkeypatch, "person_erasure_asked", partial(erase_person, stage.service, finn, ivo_id), merge)

    assert contacts_of(stage, wen) == [ANNA]


def test_a_merge_beside_a_list_that_is_taken_over_is_not_undone(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """The list was read as people were; where somebody was merged meanwhile it is shown once more."""
    finn = sitting(stage)
    twin_id, anna_id = added(stage, finn, PersonTyped("Anna Holt", UNA)), id_of(stage, ANNA)
    added(stage, finn, PersonTyped("Wen", "07700 900066", contacts=(NamedPhone("Anna", UNA),)))
    data = b"name;phone;contact_1_name;contact_1_phone\nWen;07700 900066;Ann;07700 900088\n"
    mark = people_files.look_at(stage.service, finn, data).mark
    merge = partial(people_merging.merge, stage.service, finn, anna_id, twin_id, other_phone=False)

    done, plan = at_once(monkeypatch, "people_merged", merge, partial(people_files.confirm, stage.service, finn, mark))

    assert done
    assert plan is not None
    assert contacts_of(stage, id_of(stage, "+447700900066")) == [ANNA]


def test_a_plan_that_is_filed_during_a_merge_has_the_contacts_of_before_or_after(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole either way, and nobody waits for the merge's end to be answered."""
    finn = sitting(stage)
    twin_id, anna_id = added(stage, finn, PersonTyped("Anna Holt", UNA)), id_of(stage, ANNA)
    merge = partial(people_merging.merge, stage.service, finn, anna_id, twin_id, other_phone=False)
    text = partial(stage.receive_and_answer, ANNA, "PLAN LANTERN 1100 50 P2")

    done, _ = at_once(monkeypatch, "people_merged", merge, text)

    assert done
    [dive] = stage.all_dives()
    assert [one.phone for one in dive.plan.contacts][:2] == [CLEO, DOV]
    assert dive.plan.lead.phone == ANNA


@pytest.mark.parametrize("other_phone", [False, True], ids=["the phone goes", "the phone stays"])
def test_who_joins_in_the_instant_in_which_their_entry_is_merged_away_is_known(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, *, other_phone: bool
) -> None:
    """The log said that they had joined, their answer that they are known, and nobody of that phone was there."""
    finn = sitting(stage)
    twin_id, anna_id = added(stage, finn, PersonTyped("Anna Holt", UNA)), id_of(stage, ANNA)
    token = joining.begin(stage.service, CLUB, PersonTyped("Anna Holt", "", contacts=(NamedPhone("Dov Perl", DOV),)))
    assert isinstance(token, str)
    inbound_id = stage.receive(UNA, joining.code_of(token))
    assert inbound_id is not None
    merge = partial(people_merging.merge, stage.service, finn, anna_id, twin_id, other_phone=other_phone)

    at_once(monkeypatch, "people_merged", merge, partial(answer_text, stage.service, inbound_id))

    found = stage.service.read(lambda session: people.by_phone(session, CLUB, UNA))
    assert found is not None
    assert [one["phone"] for one in found.usual_contacts] == [DOV]
    assert (found.id == anna_id) is other_phone
    [joined] = [one.detail for one in stage.entries(chain=f"club:{CLUB}") if one.kind == "person_joined"]
    assert joined == {"person": found.id, "new": not other_phone}
