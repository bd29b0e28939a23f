"""Whatever number a text of ours came from, an answer to it is heard: a finish, an SOS, an answer, an opt-out."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.operations.gateway import InboundText, OwnNumber, Route, TextPart
from service.operations.intake import drain_quietly
from service.operations.own_numbers import Receiving, fault_of, number_heard
from service.operations.polling import poll
from service.operations.receiving import join_overdue, receive_together
from service.store import clubs, opt_outs
from service.store.tables import InboundTextRow
from tests.operations.away import Keeping, alarms, armed, gone
from tests.operations.stage import ANNA, BRAM, CLEO, DOV, FINN, OURS, STRANGER, Stage

SECOND = "+447700900400"
THEIRS = "+447700900600"
SENDERS = (OwnNumber("first", OURS), OwnNumber("second", SECOND))
SPELLINGS = ["+447700900400", "447700900400", "07700900400", "07700 900400", "0044 7700 900400"]
HOUR = timedelta(hours=1)


@pytest.fixture(params=SPELLINGS)
def spelt(request: pytest.FixtureRequest) -> str:
    """The second number, as one gateway or another writes it."""
    return str(request.param)


def two_numbers(stage: Stage) -> Stage:
    """The club's gateways send from two numbers, of which one is its receiving number."""
    stage.sends_from(*SENDERS)
    return stage


def second_club(stage: Stage) -> None:
    """Another club, with a number of its own."""

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id="other",
            name="Other Club",
            country="GB",
            zone="Europe/London",
            receiving_number=THEIRS,
            rescue_call="999",
        )

    stage.service.write(work)


def brought(stage: Stage, sender: str, body: str, sid: str, **given: TextPart | None) -> InboundText:
    """What the second gateway brings."""
    return InboundText("second", sid, sender, "07700900400", body, {"to": "07700900400"}, stage.clock.at, **given)


# What is heard


def test_a_finish_that_is_sent_to_the_second_number_closes_the_dive(stage: Stage, spelt: str) -> None:
    """However its gateway writes it; the answer goes out, and what was posted is kept as it was."""
    dive = two_numbers(stage).dive_in()

    answers = stage.text(ANNA, "OUT 2", gateway="second", receiver=spelt, raw={"to": spelt})

    assert stage.dive(dive.id).phase is Phase.CLOSED
    assert len(answers) == 1
    row = stage.service.read(lambda session: session.query(InboundTextRow).order_by(InboundTextRow.id.desc()).first())
    assert row is not None
    assert (row.receiver, row.raw) == (OURS, {"to": spelt})


def test_an_sos_that_is_sent_to_the_second_number_raises_the_alarm(stage: Stage) -> None:
    """It is told to the contacts in the words of whoever called."""
    dive = two_numbers(stage).dive_in()

    stage.text(BRAM, "SOS lost Anna", gateway="second", receiver=SECOND)

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert "lost Anna" in stage.last_to(CLEO)
    stage.text(ANNA, "OUT 2", gateway="second", receiver=SECOND)
    assert "OUT" in stage.last_to(CLEO)


def test_a_contact_answers_the_number_that_alerted_them(stage: Stage) -> None:
    """Their OK stops the search for another, their SAFE ends it."""
    dive = two_numbers(stage).dive_in()
    stage.wait(minutes=66)
    assert "OVERDUE" in stage.last_to(CLEO)

    stage.text(CLEO, "OK", gateway="second", receiver=SECOND)
    stage.wait(minutes=6)
    assert [one for one in stage.to(DOV) if "OVERDUE" in one] == []
    stage.text(CLEO, "SAFE 2", gateway="second", receiver=SECOND)

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_an_opt_out_at_the_second_number_holds_for_the_club_and_is_taken_back_there(stage: Stage) -> None:
    """It is kept by the club's number, by which whoever tells them anything looks."""
    two_numbers(stage).dive_in()

    def is_out() -> bool:
        return stage.service.read(lambda session: opt_outs.is_opted_out(session, OURS, DOV))

    stage.text(DOV, "STOP", gateway="second", receiver=SECOND)
    assert is_out()
    stage.text(DOV, "START", gateway="second", receiver="07700 900400")
    assert not is_out()
    stage.text(ANNA, "OUT 2")


def test_the_clubs_own_number_in_national_form_is_heard(stage: Stage) -> None:
    """Whether or not anything is known of what gateways send from."""
    dive = stage.dive_in()

    stage.text(ANNA, "OUT 2", receiver="07700900500")

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_what_lies_in_the_list_of_the_second_gateway_is_heard(stage: Stage) -> None:
    """It was never posted, and the list has it as sent to that gateway's number."""
    dive = two_numbers(stage).dive_in()
    stage.second.route, stage.second.inbox = Route(lists=True), []
    stage.clock.at += timedelta(minutes=1)
    stage.second.inbox = [brought(stage, ANNA, "OUT 2", "SM1")]

    assert poll(stage.service, [stage.second]) == 1

    assert stage.dive(dive.id).phase is Phase.CLOSED
    stage.courier.carry()


def test_texts_that_come_at_once_to_the_second_number_are_heard(stage: Stage) -> None:
    """They are stored by one transaction, and one that the first gateway brings too counts once."""
    dive = two_numbers(stage).dive_in()
    first = stage.receive(BRAM, "status")
    assert first is not None
    texts = [brought(stage, BRAM, "status", "SM1"), brought(stage, ANNA, "OUT 2", "SM2")]

    doubled, finish = receive_together(stage.service, texts)

    assert doubled is None
    assert finish is not None
    stage.answer(finish)
    assert stage.dive(dive.id).phase is Phase.CLOSED
    stage.turn()


def test_the_parts_of_a_long_text_to_the_second_number_are_put_together(stage: Stage) -> None:
    """Also where one never came: what is left is read as of the club."""
    dive = two_numbers(stage).dive_in()
    words = ("SOS we cannot ", "find Anna at the wreck")
    for number, body in enumerate(words, start=1):
        stage.receive(
            BRAM,
            body,
            gateway="second",
            receiver="07700900400",
            part=TextPart("7", number, 2),
            provider_id=f"p{number}",
        )
    stage.receive(CLEO, "we are missing him", gateway="second", receiver=SECOND, part=TextPart("8", 1, 2))
    stage.clock.at += timedelta(minutes=2)
    assert join_overdue(stage.service) == 1
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert "find Anna at the wreck" in stage.to(CLEO)[-1] + stage.to(CLEO)[-2]
    stage.text(ANNA, "OUT 2")


# With several clubs


def test_with_several_clubs_the_setting_says_whose_the_number_is(stage: Stage) -> None:
    """The number is none's own: it serves the club that the gateway's settings name."""
    second_club(stage)
    dive = stage.dive_in()
    stage.sends_from(OwnNumber("first", OURS), OwnNumber("second", SECOND, OURS))

    stage.text(ANNA, "OUT 2", gateway="second", receiver="07700900400")

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_a_text_that_no_club_hears_is_told_to_the_admins_once_an_hour(stage: Stage) -> None:
    """With two clubs and no setting nobody knows whose it is: it is put aside, and somebody phones."""
    second_club(stage)
    dive = two_numbers(stage).dive_in()

    for body in ("OUT 2", "SOS"):
        assert stage.text(ANNA, body, gateway="second", receiver=SECOND) == []

    assert stage.dive(dive.id).live
    [told] = stage.to(FINN)
    assert f"no club has the number {SECOND}" in told
    assert told.endswith(f"from {ANNA} changed nothing. Please phone them.")
    aside = [entry for entry in stage.entries(chain="service") if entry.kind == "text_put_aside"]
    assert [entry.detail and entry.detail["note"] for entry in aside] == ["no club has this receiving number"] * 2
    stage.clock.at += HOUR
    stage.text(STRANGER, "hello", gateway="second", receiver=SECOND)
    assert len(stage.to(FINN)) == 2


def test_what_nobody_signed_tells_no_admin(stage: Stage) -> None:
    """Anybody can post such a text, to whatever number they make up."""
    inbound_id = stage.receive(ANNA, "SOS", receiver="+447700900777", authentic=False)
    assert inbound_id is not None
    stage.answer(inbound_id)
    stage.courier.carry()

    assert stage.to(FINN) == []


# Without the database


def test_a_finish_to_the_second_number_is_heard_without_the_database(keeping: Keeping, spelt: str) -> None:
    """The keeper knows the clubs of its snapshot and the numbers of its gateways; afterwards the record has it."""
    stage = keeping.stage
    two_numbers(stage)
    keeping.start_again()
    dive = armed(keeping)
    with gone(stage.engine):
        keeping.without(minutes=3)
        assert len(alarms(stage, CLEO)) == 1
        keeping.spooled(ANNA, "OUT", receiver=spelt)
        keeping.without(minutes=30)
        assert alarms(stage, DOV) == []
        assert "2 divers OUT" in stage.last_to(CLEO)
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED


@pytest.mark.parametrize("sender", ["07700 900002", "07700900002", "447700900002", "+44 7700 900002"])
def test_a_sender_in_national_form_is_known_without_the_database(keeping: Keeping, sender: str) -> None:
    """As with the database: their SOS raises at once."""
    stage = keeping.stage
    stage.dive_in()
    keeping.look()
    with gone(stage.engine):
        keeping.hears(sender, "SOS lost Anna")
        assert "lost Anna" in stage.last_to(CLEO)
    keeping.look()
    stage.turn()
    stage.text(ANNA, "OUT")


def test_what_was_spooled_to_the_second_number_comes_in_as_the_clubs(stage: Stage, tmp_path: Path) -> None:
    """On both databases, where no keeper stands in: whoever brings it in maps it."""
    keeping = Keeping(stage, tmp_path / "spool")
    dive = two_numbers(stage).dive_in()
    keeping.spooled("07700900001", "OUT 2", receiver="07700900400")

    drain_quietly(stage.service, keeping.spool)

    assert stage.dive(dive.id).phase is Phase.CLOSED
    stage.courier.carry()
    keeping.standby.close()


# The rule itself

HOME, AWAY = Receiving(OURS, "GB"), Receiving(THEIRS, "GB")
IRISH = Receiving("+353850000001", "IE")


@pytest.mark.parametrize(
    ("receiver", "known", "own", "heard"),
    [
        (OURS, [HOME], (), OURS),
        ("07700900500", [HOME, AWAY], (), OURS),
        (SECOND, [HOME], (), None),
        (SECOND, [HOME], SENDERS, OURS),
        ("447700900400", [HOME], SENDERS, OURS),
        ("60777", [HOME], (OwnNumber("second", "60777"),), OURS),
        ("60778", [HOME], (OwnNumber("second", "60777"),), None),
        ("60777", [HOME, AWAY], (OwnNumber("second", "60777"),), None),
        ("60777", [HOME, AWAY], (OwnNumber("second", "60777", THEIRS),), THEIRS),
        (SECOND, [HOME, AWAY], SENDERS, None),
        (SECOND, [HOME, AWAY], (OwnNumber("second", SECOND, "+447700900999"),), None),
        (SECOND, [HOME], (OwnNumber("second", SECOND, "+447700900999"),), OURS),
        (SECOND, [HOME, AWAY], (OwnNumber("a", SECOND, OURS), OwnNumber("b", SECOND)), OURS),
        (SECOND, [HOME, AWAY], (OwnNumber("a", SECOND, OURS), OwnNumber("b", SECOND, THEIRS)), None),
        ("07700900400", [HOME, IRISH], (OwnNumber("second", SECOND, OURS),), OURS),
        (THEIRS, [HOME, AWAY], (OwnNumber("second", THEIRS, OURS),), THEIRS),
        (SECOND, [], SENDERS, None),
        ("nonsense", [HOME], SENDERS, None),
    ],
)
def test_whose_a_text_is(receiver: str, known: list[Receiving], own: tuple[OwnNumber, ...], heard: str | None) -> None:
    """A club's own number is that club's; one that we send from is of the club named, or of the only one."""
    assert number_heard(receiver, known, own) == heard


@pytest.mark.parametrize(
    ("one", "known", "words"),
    [
        (OwnNumber("second", SECOND), [HOME], None),
        (OwnNumber("second", SECOND, OURS), [HOME, AWAY], None),
        (OwnNumber("second", SECOND), [HOME, AWAY], "give gateway second the receiving_number of its club"),
        (OwnNumber("second", SECOND), [], "no club hears what is texted to +447700900400"),
        (OwnNumber("second", SECOND, "+447700900999"), [HOME], "gateway second has receiving_number +447700900999"),
        (OwnNumber("second", THEIRS, OURS), [HOME, AWAY], f"is heard as to {THEIRS}"),
    ],
)
def test_what_is_wrong_with_a_number_names_the_gateway(
    one: OwnNumber, known: list[Receiving], words: str | None
) -> None:
    """Nobody hears what is texted to it, or another club than the settings say."""
    fault = fault_of(one, known, (one,))
    assert (fault is None) if words is None else (fault is not None and words in fault)
