"""Erasing a person whose phone stands where no plan names it: a dive that it ended, texts, receipts, an account."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.operations import canary_dive, erasing
from service.operations.erasing import Waits
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState, TextPart
from service.operations.plan_reading import NamedPhone
from service.operations.receipts import receive_receipt
from service.operations.receiving import join_overdue
from service.operations.retention import DAYS_USUAL
from service.store import admins, kept, log
from service.store import erasing as stored
from service.store.engine import writing
from service.store.tables import AdminRow, Base, DiveRow, InboundTextRow, MessageRow, ReceiptRow
from tests.operations.conftest import staged_on
from tests.operations.stage import CLEO, CLUB, FINN, Stage, plan, plan_of
from tests.operations.test_erasing import DAY, NAME, UNA, erase, left_of, planned, una_of
from tests.operations.test_retention import in_days, sound

AT_HOME = "07700900088"  # Una's number as it is dialled in the club's country


@pytest.fixture
def quick(sqlite_engine: Engine) -> Iterator[Stage]:
    """A stage on SQLite alone, of which the checker cannot ask everything: what it compares is erased."""
    with staged_on(sqlite_engine) as stage:
        yield stage


def ended_by_una(stage: Stage, **plan_changes: Any) -> Dive:
    """A dive that Una's phone ended by its code, three days ago; no plan has her number."""
    dive = stage.dive_in(plan(**plan_changes))
    stage.text(UNA, f"OUT {dive.finish_code}")
    assert stage.dive(dive.id).phase is Phase.CLOSED
    stage.wait(3 * DAY, step=timedelta(hours=6))
    return stage.dive(dive.id)


def test_a_dive_that_a_phone_ended_by_code_is_erased_with_it(unchecked: Stage) -> None:
    """A diver without a number in the plan who finished by text: what is said to be done must be."""
    stage = unchecked
    ended_by_una(stage, party=(NamedPhone(NAME, ""),))
    una = una_of(stage)
    assert (planned(stage, una).dives_now, planned(stage, una).waiting) == (1, ())

    assert erase(stage, una) is True

    assert left_of(stage) == {}
    sound(stage.engine)


def test_a_dive_to_which_a_lent_phone_brought_an_alarm_is_named_and_waited_for(unchecked: Stage) -> None:
    """The proof of an alarm stays as long as the club keeps it, whoever raised it, and the wish is not done before."""
    stage = unchecked
    dive = stage.dive_in()
    stage.text(UNA, f"SOS {dive.finish_code}")
    assert stage.dive(dive.id).phase is Phase.ALERT
    stage.text(CLEO, f"SAFE 2 {dive.reference}")
    stage.wait(3 * DAY, step=timedelta(hours=6))
    una = una_of(stage)
    [waiting] = planned(stage, una).waiting
    assert (waiting.reference, waiting.why) == (dive.reference, Waits.ALARM)

    assert erase(stage, una) is False

    [wish] = erasing.listing(stage.service, CLUB)
    assert (wish.done_at, [one.why for one in wish.waiting]) == (None, [Waits.ALARM])
    in_days(stage, DAYS_USUAL)
    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}
    sound(stage.engine)


def test_what_strangers_texted_beside_every_dive_goes_at_once(unchecked: Stage) -> None:
    """A call for help of nobody's dive, an answer to an alarm from a phone that it does not know, a wrong code."""
    stage = unchecked
    dive = stage.dive_in()
    stage.wait(minutes=70)
    for words in ("SOS", f"OK {dive.reference}", "SAFE 2", "OUT 123456", "cannot find him"):
        stage.text(UNA, words)
    stage.text(CLEO, f"SAFE 2 {dive.reference}")
    assert {"inbound_texts", "log_entries", "messages", "wrong_codes"} <= left_of(stage).keys()
    una = una_of(stage)

    assert erase(stage, una) is True

    assert left_of(stage) == {}
    assert stage.dive(dive.id).contacts[0].phone == CLEO
    sound(stage.engine)


@pytest.mark.parametrize("spelt", [AT_HOME, UNA.removeprefix("+"), "+44 7700 900088"])
def test_a_phone_is_found_however_a_gateway_wrote_it(quick: Stage, spelt: str) -> None:
    """Some bring the sender as it is dialled at home, or with blanks."""
    stage = quick
    una, dive = una_of(stage), stage.dive_in()
    stage.text(spelt, f"OUT {dive.finish_code}")
    stage.text(spelt, "what a day")
    stage.wait(3 * DAY, step=timedelta(hours=6))
    assert planned(stage, una).dives_now == 1

    assert erase(stage, una) is True

    def senders(session: Session) -> set[str]:
        return set(session.execute(select(InboundTextRow.sender)).scalars())

    assert spelt not in stage.service.read(senders)
    assert not any(spelt in str(entry.detail) for entry in stage.entries(chain=f"club:{CLUB}"))
    assert left_of(stage) == {}


def _no_message(session: Session, _: Dive) -> None:
    session.execute(update(MessageRow).where(MessageRow.phone == UNA).values(phone="", person_key="nobody"))


def _no_text(session: Session, _: Dive) -> None:
    session.execute(update(InboundTextRow).where(InboundTextRow.sender == UNA).values(dive_id=None))


def _no_row(session: Session, dive: Dive) -> None:
    state = session.execute(select(DiveRow.state).where(DiveRow.id == dive.id)).scalar_one()
    session.execute(update(DiveRow).where(DiveRow.id == dive.id).values(state=state.replace(UNA, "")))


def _no_log(session: Session, dive: Dive) -> None:
    log.erase_details(session, dive.id)


@pytest.mark.parametrize("only", [_no_message, _no_text, _no_row, _no_log], ids=["message", "text", "row", "log"])
def test_any_one_place_that_has_a_phone_is_enough_to_find_its_dive(
    unchecked: Stage, only: Callable[[Session, Dive], None]
) -> None:
    """The messages, the texts, the row and the log each lead to it where all others have lost it."""
    stage = unchecked
    dive = ended_by_una(stage)
    una = una_of(stage)
    for lose in (_no_message, _no_text, _no_row, _no_log):
        if lose is not only:
            with writing(stage.engine) as session:
                lose(session, dive)

    assert planned(stage, una).dives_now == 1


def test_a_longer_number_is_somebody_elses(quick: Stage) -> None:
    """A dive is not erased because a number in it has this one at its beginning."""
    stage = quick
    ended_by_una(stage)
    traces = stored.Traces("+44770090008", frozenset())

    found, beyond = stage.service.read(lambda session: stored.dives_with(session, CLUB, "", traces, ""))

    assert (found, beyond) == ([], None)


def test_many_dives_are_looked_through_in_short_pieces(quick: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each piece goes on where the one before ended, and none is left out."""
    stage = quick
    monkeypatch.setattr(stored, "_DIVES_AT_ONCE", 2)
    una = una_of(stage)
    for number in range(5):
        dive = stage.dive_in(plan_of(number))
        stage.text(UNA, f"OUT {dive.finish_code}")
    stage.wait(DAY, step=timedelta(hours=12))

    assert planned(stage, una).dives_now == 5
    assert erase(stage, una) is True
    assert left_of(stage) == {}


def test_an_answer_that_is_still_carried_is_waited_for(quick: Stage) -> None:
    """Else the courier would carry it, and its number stay, after all was said to be done."""
    stage = quick
    una = una_of(stage)
    stage.receive_and_answer(UNA, "what is this")

    assert erase(stage, una) is False
    stage.courier.carry()

    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}


def test_a_part_of_a_long_text_is_read_before_its_sender_is_erased(quick: Stage) -> None:
    """Its other parts may make a finish or a call for help of it."""
    stage = quick
    una = una_of(stage)
    assert stage.receive(UNA, "we are all", part=TextPart("7", 1, 2)) is None

    assert erase(stage, una) is False
    stage.sleep(2)
    join_overdue(stage.service)
    stage.sleep(1)
    stage.answer(_last_text(stage))
    stage.courier.carry()

    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}
    sound(stage.engine)


def _last_text(stage: Stage) -> int:
    return stage.service.read(lambda session: max(session.execute(select(InboundTextRow.id)).scalars()))


def test_a_dive_that_is_kept_keeps_the_parts_and_the_doubles_of_its_texts_too(quick: Stage) -> None:
    """What a gateway brought in pieces, or two gateways brought, is as much of it as any other text."""
    stage = quick
    una, dive = una_of(stage), stage.dive_in()
    stage.receive(UNA, "OUT ", part=TextPart("7", 1, 2))
    whole = stage.receive(UNA, dive.finish_code, part=TextPart("7", 2, 2))
    assert whole is not None
    stage.answer(whole)
    stage.receive(UNA, f"OUT {dive.finish_code}", gateway="second")
    stage.courier.carry()
    stage.wait(DAY, step=timedelta(hours=6))
    stage.service.write(lambda session: kept.keep(session, CLUB, dive.id, "Finn Aske", "inquiry", stage.clock.at))

    assert erase(stage, una) is False

    said = [entry for entry in stage.entries(chain=f"club:{CLUB}") if entry.kind in ("text_in", "text_part_in")]
    assert [entry.detail is not None for entry in said] == [True] * 5
    assert left_of(stage)["inbound_texts"] == 2
    stage.service.write(lambda session: kept.let_go(session, CLUB, dive.id))
    assert erasing.erase_due(stage.service) == 1
    assert left_of(stage) == {}
    sound(stage.engine)


@pytest.mark.parametrize(
    ("state", "blame"), [(ReceiptState.DELIVERED, None), (ReceiptState.FAILED, Blame.OPTED_OUT)], ids=str
)
def test_a_receipt_that_comes_after_the_erasure_brings_nothing_back(
    unchecked: Stage, state: ReceiptState, blame: Blame | None
) -> None:
    """It moves the message, and neither its words nor an opt-out of nobody are kept."""
    stage = unchecked
    ended_by_una(stage)
    [answer] = [taken for taken in stage.journal if taken.to == UNA]
    assert erase(stage, una_of(stage)) is True

    stage.receipt(answer, state, blame=blame, code=blame and "21610", raw={"To": UNA})

    moved = stage.service.read(
        lambda session: session.execute(
            select(MessageRow.state).where(MessageRow.provider_id == answer.provider_id)
        ).scalar_one()
    )
    assert moved == state
    assert left_of(stage) == {}
    opted_out = Base.metadata.tables["opt_outs"]
    assert stage.service.read(lambda session: session.execute(select(opted_out)).all()) == []
    sound(stage.engine)


def stray(stage: Stage, to: str) -> None:
    """A receipt for a message that nobody here knows."""
    values = {"state": ReceiptState.DELIVERED, "code": None, "blame": None, "received_at": stage.clock.at}
    receive_receipt(stage.service, DeliveryReceipt(gateway="first", provider_id=f"of-{to}", raw={"To": to}, **values))


def raws(stage: Stage) -> list[dict[str, str]]:
    """What gateways wrote in receipts, in order."""
    return stage.service.read(
        lambda session: list(session.execute(select(ReceiptRow.raw).order_by(ReceiptRow.id)).scalars())
    )


def test_receipts_for_no_message_lose_the_number_with_the_person(unchecked: Stage) -> None:
    """That of somebody else stays until its time is over, as other texts of strangers do."""
    stage = unchecked
    una = una_of(stage)
    stray(stage, UNA)
    stray(stage, CLEO)

    assert erase(stage, una) is True

    assert raws(stage) == [{}, {"To": CLEO}]
    assert in_days(stage, DAYS_USUAL - 1).receipts == 0
    assert in_days(stage, 2).receipts == 1
    assert raws(stage) == [{}, {}]
    assert in_days(stage, 1).receipts == 0
    sound(stage.engine)


@pytest.mark.parametrize("disabled", [False, True], ids=["in office", "disabled"])
def test_an_account_that_has_the_phone_is_said_to_stay(quick: Stage, *, disabled: bool) -> None:
    """What was told to an admin of a dive is of that phone too, and is waited for."""
    stage = quick
    una, dive = una_of(stage), stage.dive_in()
    stage.service.write(
        lambda session: session.execute(update(AdminRow).where(AdminRow.phone == FINN).values(phone=UNA))
    )
    stage.wait(minutes=140)
    assert any(one.phone == UNA for one in stage.messages(dive.id))
    stage.text(CLEO, f"SAFE 2 {dive.reference}")
    stage.wait(2 * DAY, step=timedelta(hours=6))
    [row] = stage.service.read(lambda session: admins.listing(session, CLUB))
    if disabled:
        stage.service.write(lambda session: admins.disable(session, row.id, stage.clock.at))

    seen = planned(stage, una)

    assert seen.is_admin
    assert [(one.reference, one.why) for one in seen.waiting] == [(dive.reference, Waits.ALARM)]


def test_the_phone_of_the_canary_dive_is_said_to_stay(quick: Stage) -> None:
    """As long as it is that, each day brings a dive that has it."""
    stage = quick
    una = una_of(stage)
    assert not planned(stage, una).is_canary

    stage.service.write(lambda session: canary_dive.set_number(stage.service, session, CLUB, UNA))

    assert planned(stage, una).is_canary
