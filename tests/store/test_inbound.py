"""Texts that came in: kept once, locked for answering, put aside, never lost; and wrong codes."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store import inbound
from service.store.engine import reading, writing
from service.store.inbound import NewText
from service.store.tables import InboundTextRow
from tests.store.examples import ANNA, BRAM, CLUB, NOW, NUMBER, add_dive, minutes

LATER = NOW + timedelta(seconds=2)


def bring(session: Session, provider_id: str = "SM1", *, same_as: int | None = None, **changes: object) -> int | None:
    """A gateway brings a text."""
    fields: dict[str, object] = {
        "gateway": "north",
        "provider_id": provider_id,
        "sender": ANNA,
        "receiver": NUMBER,
        "body": "IN",
        "raw": {"Body": "IN"},
        "received_at": NOW,
        "authentic": True,
    }
    return inbound.store(session, NewText(**(fields | changes)), same_as)  # type: ignore[arg-type]


def brought(session: Session, provider_id: str = "SM1", **changes: object) -> int:
    """The id of a text that is new."""
    inbound_id = bring(session, provider_id, **changes)
    assert inbound_id is not None
    return inbound_id


def locked(session: Session, inbound_id: int) -> InboundTextRow:
    """The text as it stands."""
    assert inbound.lock_one(session, inbound_id) is not None
    return session.get_one(InboundTextRow, inbound_id, populate_existing=True)


def test_a_text_is_kept_as_it_came(session: Session) -> None:
    """Whatever somebody sent, the log can show it."""
    row = inbound.lock_one(session, brought(session, body="out 👍\x00"))
    assert row is not None

    assert (row.sender, row.receiver, row.body, row.raw) == (ANNA, NUMBER, "out 👍\ufffd", {"Body": "IN"})
    assert (row.state, row.authentic, row.received_at) == ("stored", True, NOW)


def test_a_text_that_is_brought_twice_is_stored_once(session: Session) -> None:
    """The provider's id tells; another gateway may use the same one."""
    brought(session)

    assert bring(session, body="IN again") is None
    assert bring(session, gateway="south") is not None


def test_a_forged_copy_does_not_stand_in_the_way_of_the_real_text(session: Session) -> None:
    """Whoever sends a wrong signature first cannot make the real text look like a duplicate."""
    forged = brought(session, authentic=False)

    assert bring(session, authentic=False) is None
    real = brought(session)

    assert locked(session, forged).state == "quarantined"
    assert locked(session, real).state == "stored"
    assert inbound.unanswered(session, 10, LATER) == [real]


def test_what_waits_for_an_answer_is_found_in_its_order(session: Session) -> None:
    """Answered, put aside and quite new texts are left out."""
    first, second = brought(session, "SM1"), brought(session, "SM2")
    done, aside = brought(session, "SM3"), brought(session, "SM4")
    brought(session, "SM5", received_at=LATER)
    inbound.mark_answered(session, done, club_id=CLUB, dive_id=None, intent="help", note=None, now=NOW)
    inbound.quarantine(session, aside, note="failed 3 times", now=NOW)

    assert inbound.unanswered(session, 10, LATER) == [first, second]
    assert inbound.unanswered(session, 1, LATER) == [first]


def test_an_answered_text_says_what_it_was_taken_for(session: Session) -> None:
    """Club, dive and intent are kept beside the words."""
    add_dive(session)
    inbound_id = brought(session)

    inbound.mark_answered(session, inbound_id, club_id=CLUB, dive_id="d1", intent="start", note="by phone", now=LATER)

    row = locked(session, inbound_id)
    assert (row.state, row.answered_at, row.club_id, row.dive_id) == ("answered", LATER, CLUB, "d1")
    assert (row.intent, row.note) == ("start", "by phone")


def test_failed_tries_are_counted_and_the_text_put_aside_with_a_reason(session: Session) -> None:
    """One text that breaks us does not hold up the others for ever."""
    inbound_id = brought(session)

    assert [inbound.count_try(session, inbound_id) for _ in range(3)] == [1, 2, 3]
    inbound.quarantine(session, inbound_id, note="failed 3 times", now=LATER)

    row = locked(session, inbound_id)
    assert (row.state, row.tries, row.note) == ("quarantined", 3, "failed 3 times")


def test_a_text_that_does_not_exist_is_none(session: Session) -> None:
    """A task with an id of yesterday finds nothing."""
    assert inbound.lock_one(session, 99) is None


def test_locking_reads_what_is_there_now(engine: Engine) -> None:
    """What another process answered meanwhile is seen, not what this session read before."""
    with writing(engine) as session:
        inbound_id = brought(session)
        locked(session, inbound_id)
        inbound.quarantine(session, inbound_id, note="aside", now=NOW)
        assert locked(session, inbound_id).state == "quarantined"

    with reading(engine) as session:
        assert inbound.unanswered(session, 10, LATER) == []


def test_wrong_codes_are_counted_for_one_phone_and_number_and_time(session: Session) -> None:
    """Five within an hour are too many; another phone's guesses are not counted here."""
    for number in range(3):
        inbound.note_wrong_code(session, NUMBER, ANNA, NOW + minutes(number))
    inbound.note_wrong_code(session, NUMBER, BRAM, NOW)
    inbound.note_wrong_code(session, "+447700900501", ANNA, NOW)

    assert inbound.wrong_codes_since(session, NUMBER, ANNA, NOW - minutes(1)) == 3
    assert inbound.wrong_codes_since(session, NUMBER, ANNA, NOW) == 2
    assert inbound.wrong_codes_since(session, NUMBER, BRAM, NOW - minutes(1)) == 1
    assert inbound.wrong_codes_since(session, NUMBER, NUMBER, NOW - minutes(1)) == 0


def test_old_wrong_codes_are_forgotten_so_many_at_a_time(session: Session) -> None:
    """The oldest first; what is not older than that instant still counts."""
    for number in range(5):
        inbound.note_wrong_code(session, NUMBER, ANNA, NOW + minutes(number))
    before = NOW + minutes(3)

    assert [inbound.forget_wrong_codes(session, before, 2) for _ in range(3)] == [2, 1, 0]
    assert inbound.wrong_codes_since(session, NUMBER, ANNA, NOW - minutes(1)) == 2


def test_texts_alike_are_counted_since_any_other_text_of_that_sender(session: Session) -> None:
    """Not those of others, not older ones, not those with the note, not those that nobody has read yet."""
    told = [
        ("unclear", None, {}),
        ("late", None, {}),
        ("unclear", None, {}),
        ("unclear", "several dives", {}),
        ("unclear", "several dives; not sent: 100%", {}),
        ("unclear", None, {"sender": BRAM}),
        ("late", None, {"sender": BRAM}),
        ("unclear", None, {"receiver": "+447700900501"}),
    ]
    for number, (intent, note, changes) in enumerate(told):
        inbound_id = brought(session, f"SM{number}", received_at=NOW + minutes(number), **changes)
        inbound.mark_answered(
            session, inbound_id, club_id=CLUB, dive_id=None, intent=intent, note=note, now=NOW + minutes(number)
        )
    brought(session, "SM9", received_at=NOW + minutes(9))

    def alike(since: float, but_noted: str = "100%") -> int:
        wanted = {"intent": "unclear", "but_noted": but_noted}
        return len(inbound.alike_since(session, NUMBER, ANNA, NOW + minutes(since), **wanted))

    assert alike(0) == 2
    assert alike(0, "never noted") == 3
    assert alike(3) == 1
    assert alike(5) == 0
