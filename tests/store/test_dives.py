"""Dives: added, found, saved under guard, claimed when due."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, func, select, update
from sqlalchemy.exc import NoResultFound
from sqlalchemy.orm import Session

from service.domain.dive.events import AlarmRaised, Closed, Outcome
from service.domain.dive.evolve import evolve
from service.domain.dive.state import Phase
from service.store import dive_lists, dives, due
from service.store.codec import dump_dive
from service.store.dives import CodeMatch, DiveClash, PhoneMatch, StaleDive, Unreadable, UnreadableDive
from service.store.due import Due
from service.store.engine import reading, writing
from service.store.plain_columns import PhoneFact, close_row, row_facts
from service.store.tables import DiveRow
from tests.store.examples import (
    ANNA,
    BRAM,
    BY_ANNA,
    CLEO,
    CLUB,
    DOV,
    NOW,
    NUMBER,
    add_club,
    add_dive,
    apply,
    filed,
    minutes,
    started,
)

LONG_AGO = NOW - timedelta(days=1)


def closed(at: object = NOW) -> Closed:
    """The party is out."""
    return Closed(at=at, by=BY_ANNA, outcome=Outcome.SURFACED, count=3)  # type: ignore[arg-type]


def raised() -> AlarmRaised:
    """Somebody raises the alarm after the dive was closed."""
    return AlarmRaised(at=NOW, by=BY_ANNA, reopened=True)


def break_state(session: Session, dive_id: str = "d1") -> None:
    """Damage what is stored of a dive."""
    session.execute(update(DiveRow).where(DiveRow.id == dive_id).values(state='{"id":'))


def test_a_dive_comes_back_as_it_was_added(engine: Engine) -> None:
    """What was filed is what is decided upon."""
    with writing(engine) as session:
        dive = add_dive(session)

    with writing(engine) as session:
        assert dives.get(session, "d1") == dive
        assert dives.lock(session, "d1") == dive


def test_a_dive_that_does_not_exist_is_none(session: Session) -> None:
    """Nobody invents a dive."""
    assert dives.get(session, "d9") is None
    assert dives.lock(session, "d9") is None
    assert row_facts(session, "d9") is None


def test_the_plain_columns_follow_the_state(session: Session) -> None:
    """Queries see what the fold says."""
    dive = apply(session, add_dive(session), started(), due_at=NOW + minutes(40))

    row = session.get_one(DiveRow, "d1")

    assert row.phase == "in_water"
    assert row.due_out_at == NOW + minutes(50)
    assert row.raise_by_at == NOW + minutes(65)
    assert row.next_due_at == NOW + minutes(40)
    assert (row.version, row.head_count, row.lead_name) == (dive.version, 3, "Anna Holt")
    assert (row.closed_at, row.outcome) == (None, None)


def test_saving_over_a_version_that_is_gone_is_refused_and_writes_nothing(session: Session) -> None:
    """Of two who decide at once one must decide anew, or an alarm could be overwritten by a finish."""
    first = add_dive(session)
    apply(session, first, started(), due_at=NOW)

    with pytest.raises(StaleDive, match="dive d1 is no longer at version 1"):
        dives.save(session, evolve(first, closed()), expected_version=first.version, next_due_at=None)

    found = dives.get(session, "d1")
    assert found is not None
    assert found.phase is Phase.IN_WATER


def test_saving_a_dive_that_does_not_exist_is_refused(session: Session) -> None:
    """A save is never an insert."""
    dive = add_dive(session)

    with pytest.raises(StaleDive):
        dives.save(session, replace(dive, id="d9"), expected_version=1, next_due_at=None)


def test_an_unreadable_state_says_which_dive_it_is(session: Session) -> None:
    """The sweep takes that dive out of its batch and alerts its contacts by the plainest path."""
    add_dive(session)
    break_state(session)

    with pytest.raises(UnreadableDive) as caught:
        dives.lock(session, "d1")
    assert caught.value.dive_id == "d1"
    with pytest.raises(UnreadableDive):
        dives.get(session, "d1")


def test_an_unreadable_dive_stands_among_the_others_by_its_columns(session: Session) -> None:
    """One dive that cannot be read must not hide the others of a phone or of a club."""
    add_dive(session)
    break_state(session)
    whole = add_dive(session, filed("d2", "11", "22", at=NOW + minutes(1), reference="9A"))
    left = Unreadable("d1", "7K", "filed", 3, "Lantern Cove")

    assert [one.dive for one in dive_lists.listing(session, CLUB, None, 10)] == [whole, left]
    assert dives.for_phone(session, NUMBER, ANNA, LONG_AGO) == [
        PhoneMatch(whole, ("diver-0",)),
        replace(left, keys=("diver-0",)),
    ]


def test_a_dive_closed_by_its_columns_is_over_for_clocks_codes_and_phones(session: Session) -> None:
    """As far as can be without its state, which may be given anew."""
    add_dive(session, due_at=NOW)
    break_state(session)

    close_row(session, "d1", at=NOW, outcome="stood_down", version=2)

    facts = row_facts(session, "d1")
    assert facts is not None
    assert (facts.phase, facts.version) == ("closed", 2)
    assert due.claim(session, NOW, 10) == []
    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d1", "start", live=False)
    assert dives.for_phone(session, NUMBER, ANNA, NOW + timedelta(microseconds=1)) == []


def test_a_dive_closed_by_its_columns_may_be_given_a_state(session: Session) -> None:
    """Where the log gives a better one than that which cannot be read."""
    dive = evolve(add_dive(session), closed())
    break_state(session)

    close_row(session, "d1", at=NOW, outcome="stood_down", version=2, state=dump_dive(dive))

    assert dives.get(session, "d1") == dive


def test_the_plain_columns_are_enough_for_an_alarm_when_the_state_is_not_readable(session: Session) -> None:
    """Who, how many, where, whom to call and everybody's phone, without the state."""
    apply(session, add_dive(session), started())
    break_state(session)

    facts = row_facts(session, "d1")

    assert facts is not None
    assert (facts.lead_name, facts.head_count, facts.site_name) == ("Anna Holt", 3, "Lantern Cove")
    assert (facts.rescue_call, facts.zone, facts.reference) == ("07700 900999", "Europe/London", "7K")
    assert (facts.club_id, facts.club_name, facts.receiving_number) == (CLUB, "Skerry Bay Divers", NUMBER)
    assert facts.raise_by_at == NOW + minutes(65)
    assert facts.phones == (
        PhoneFact("contact-0", "contact", "Cleo Marsh", CLEO),
        PhoneFact("contact-1", "contact", "Dov Lind", DOV),
        PhoneFact("diver-0", "diver", "Anna Holt", ANNA),
        PhoneFact("diver-1", "diver", "Bram Vik", BRAM),
    )


def test_due_dives_are_claimed_the_longest_overdue_first(session: Session) -> None:
    """Who has waited longest is helped first; what is not due, or has nothing due, is left."""
    add_dive(session, filed("late", "11", "12"), due_at=NOW - minutes(1))
    add_dive(session, filed("later", "21", "22"), due_at=NOW - minutes(9))
    add_dive(session, filed("now", "31", "32"), due_at=NOW)
    add_dive(session, filed("soon", "41", "42"), due_at=NOW + timedelta(microseconds=1))
    add_dive(session, filed("never", "51", "52"), due_at=None)

    found = due.claim(session, NOW, 10)

    assert due.listing(session, NOW, 10) == [
        Due("later", NOW - minutes(9)),
        Due("late", NOW - minutes(1)),
        Due("now", NOW),
    ]
    assert [(one.dive_id, one.due_at) for one in found] == [
        (one.dive_id, one.due_at) for one in due.listing(session, NOW, 10)
    ]
    assert [one.dive() for one in found] == [dives.get(session, one.dive_id) for one in found]
    assert {one.receiving_number for one in found} == {NUMBER}


def test_a_claim_takes_no_more_than_asked_and_leaves_out_what_failed(session: Session) -> None:
    """A dive that fails is taken out of its batch, and the others go on."""
    for number in range(3):
        add_dive(session, filed(f"d{number}", f"{number}1", f"{number}2"), due_at=NOW - minutes(9 - number))

    assert [one.dive_id for one in due.claim(session, NOW, 2)] == ["d0", "d1"]
    assert [one.dive_id for one in due.claim(session, NOW, 2, frozenset({"d0"}))] == ["d1", "d2"]


def test_a_postponed_dive_is_looked_at_later_and_otherwise_unchanged(session: Session) -> None:
    """A dive that cannot be decided does not block the sweep, and keeps its version."""
    dive = add_dive(session)

    dives.postpone(session, "d1", NOW + minutes(1))

    assert due.claim(session, NOW, 10) == []
    [claimed] = due.claim(session, NOW + minutes(1), 10)
    assert (claimed.dive_id, claimed.due_at) == ("d1", NOW + minutes(1))
    assert dives.get(session, "d1") == dive


def test_the_oldest_due_moment_is_seen_and_nothing_else(session: Session) -> None:
    """The keeper's one look tells how late the sweep is."""
    assert dives.oldest_due(session, NOW) is None

    add_dive(session, filed("d1", "11", "12"), due_at=NOW - minutes(3))
    add_dive(session, filed("d2", "21", "22"), due_at=NOW - minutes(1))

    assert dives.oldest_due(session, NOW) == NOW - minutes(3)
    assert dives.oldest_due(session, NOW - minutes(4)) is None


def test_a_phone_finds_its_open_dives_and_its_keys_there(session: Session) -> None:
    """A text is matched by its sender; one phone may be several people of a dive."""
    plan = filed().plan
    both = replace(plan, contacts=(*plan.contacts, replace(plan.contacts[0], name="Anna Holt", phone=ANNA)))
    add_dive(session, filed("old", "11", "12", plan=both))
    add_dive(session, filed("new", "21", "22", at=NOW + minutes(1)))

    found = dives.for_phone(session, NUMBER, ANNA, LONG_AGO)

    assert [(match.dive.id, match.keys) for match in found] == [
        ("new", ("diver-0",)),
        ("old", ("contact-2", "diver-0")),
    ]
    assert [match.keys for match in dives.for_phone(session, NUMBER, DOV, LONG_AGO)] == [
        ("contact-1",),
        ("contact-1",),
    ]
    assert dives.for_phone(session, NUMBER, "+447700900099", LONG_AGO) == []


def test_a_phone_finds_a_dive_for_as_long_as_asked_after_it_closed(session: Session) -> None:
    """An alarm may reopen it within two hours, so its phones must still lead to it."""
    apply(session, add_dive(session), closed(), due_at=None)

    assert len(dives.for_phone(session, NUMBER, ANNA, NOW)) == 1
    assert dives.for_phone(session, NUMBER, ANNA, NOW + timedelta(microseconds=1)) == []


def test_phones_and_codes_of_another_receiving_number_find_nothing(session: Session) -> None:
    """No dive is reached through another club's number."""
    add_club(session, "other", "+447700900501")
    add_dive(session, number=NUMBER)

    assert dives.for_phone(session, "+447700900501", ANNA, LONG_AGO) == []
    assert dives.by_code(session, "+447700900501", "100001") is None
    assert not dives.code_taken(session, "+447700900501", "100001")
    assert dives.live_codes(session, "+447700900501") == 0
    assert dives.references_of(session, "+447700900501", [ANNA], LONG_AGO) == set()


def test_a_code_finds_its_dive_and_what_it_does(session: Session) -> None:
    """A bare code acts by which code it is."""
    add_dive(session)

    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d1", "start", live=True)
    assert dives.by_code(session, NUMBER, "200002") == CodeMatch("d1", "finish", live=True)
    assert dives.by_code(session, NUMBER, "300003") is None
    assert dives.code_taken(session, NUMBER, "200002")
    assert not dives.code_taken(session, NUMBER, "300003")
    assert dives.live_codes(session, NUMBER) == 2


def test_the_codes_of_a_closed_dive_are_dead_and_free(session: Session) -> None:
    """A dead code still tells which dive it was, until another dive has it."""
    apply(session, add_dive(session), closed(), due_at=None)

    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d1", "start", live=False)
    assert not dives.code_taken(session, NUMBER, "100001")
    assert dives.live_codes(session, NUMBER) == 0

    add_dive(session, filed("d2", "200002", "100001"))
    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d2", "finish", live=True)


def test_of_dead_codes_the_latest_dive_is_found(session: Session) -> None:
    """Whoever sends an old code most likely means their last dive."""
    apply(session, add_dive(session), closed(), due_at=None)
    apply(session, add_dive(session, filed("d2", at=NOW + minutes(5))), closed(), due_at=None)

    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d2", "start", live=False)


def test_a_reopened_dive_has_its_codes_and_phones_again(session: Session) -> None:
    """Whoever holds the finish code can end the second alarm too."""
    dive = apply(session, add_dive(session), closed(), due_at=None)

    apply(session, dive, raised())

    assert dives.by_code(session, NUMBER, "200002") == CodeMatch("d1", "finish", live=True)
    assert len(dives.for_phone(session, NUMBER, ANNA, NOW + timedelta(days=9))) == 1


def test_reopening_never_fails_for_a_code_that_another_dive_has_got(session: Session) -> None:
    """The alarm matters more than the code: the other dive keeps it, the rest comes back to life."""
    dive = apply(session, add_dive(session), closed(), due_at=None)
    add_dive(session, filed("d2", "200002", "300003"))

    apply(session, dive, raised())

    assert dives.by_code(session, NUMBER, "200002") == CodeMatch("d2", "start", live=True)
    assert dives.by_code(session, NUMBER, "100001") == CodeMatch("d1", "start", live=True)


def test_two_live_dives_cannot_have_the_same_code(session: Session) -> None:
    """A code must lead to one dive; the second filing draws again, in a session that still works."""
    add_dive(session)

    with pytest.raises(DiveClash, match="dive d2 has a code or a request key that is taken"):
        add_dive(session, filed("d2", "999999", "100001"))

    assert dives.get(session, "d2") is None
    assert session.execute(select(func.count()).select_from(DiveRow)).scalar_one() == 1


def test_one_request_files_one_dive_per_club(session: Session) -> None:
    """A form that was sent twice files once."""
    add_dive(session, request_key="key-1")

    assert dives.by_request_key(session, CLUB, "key-1") == "d1"
    assert dives.by_request_key(session, CLUB, "key-2") is None
    assert dives.by_request_key(session, "other", "key-1") is None
    with pytest.raises(DiveClash):
        add_dive(session, filed("d2", "11", "22"), request_key="key-1")


def test_dives_without_a_request_key_do_not_clash(session: Session) -> None:
    """Texts carry no key."""
    add_dive(session)
    add_dive(session, filed("d2", "11", "22"))

    assert len(dive_lists.listing(session, CLUB, None, 10)) == 2


def test_references_in_use_are_those_of_dives_of_these_phones_that_are_open_or_were_lately(session: Session) -> None:
    """Two characters are enough, because they need only differ for the people who share a dive."""
    add_dive(session, filed("d1", "11", "12", reference="7K"))
    done = add_dive(session, filed("d2", "21", "22", reference="9A"))
    apply(session, done, closed(), due_at=None)

    def taken(phones: list[str], after: datetime) -> set[str]:
        return dives.references_of(session, NUMBER, phones, after)

    assert taken([ANNA, "+447700900099"], closed().at) == {"7K"}
    assert taken([ANNA, "+447700900099"], closed().at - timedelta(microseconds=1)) == {"7K", "9A"}
    assert taken(["+447700900099"], LONG_AGO) == set()
    assert taken([], LONG_AGO) == set()


def test_the_receiving_number_of_a_dive_is_known(session: Session) -> None:
    """Its texts go out from there."""
    add_dive(session)

    assert dives.receiving_number_of(session, "d1") == NUMBER
    with pytest.raises(NoResultFound):
        dives.receiving_number_of(session, "d9")


def test_the_due_query_uses_its_index(engine: Engine) -> None:
    """Ten thousand armed dives cost an idle sweep nothing: it never reads through them."""
    if engine.dialect.name == "sqlite":
        explain, setting = "EXPLAIN QUERY PLAN ", None
    else:
        explain, setting = "EXPLAIN ", "SET LOCAL enable_seqscan = off"
    query = "SELECT id, next_due_at FROM dives WHERE next_due_at <= {at} ORDER BY next_due_at LIMIT 50"
    at = {"sqlite": "5", "postgresql": "now()"}[engine.dialect.name]

    with reading(engine) as session:
        connection = session.connection()
        if setting:
            connection.exec_driver_sql(setting)
        plan = str(connection.exec_driver_sql(explain + query.format(at=at)).all())

    assert "ix_dives_next_due_at" in plan
