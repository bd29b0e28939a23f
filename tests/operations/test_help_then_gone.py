"""Somebody calls for help in an outage, and the keeper knows of no dive of theirs: they and the admins hear at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import update

from service.domain.dive import Phase
from service.operations.gateway import InboundText, TextPart
from service.store import log
from service.store.tables import ClubRow
from tests.operations.away import Keeping, gone
from tests.operations.stage import ANNA, CLEO, CLUB, DOV, FINN, OURS, STRANGER, Stage, accept, plan_of, time_out
from tests.operations.test_outage_opt_outs import GRETE, second_admin
from tests.operations.test_over_then_gone import over

RESCUE = "07700 900999 (practice rescue desk)"
CALL = f"Skerry Bay Divers: our service has a fault, so this may have reached nobody. Call rescue now: {RESCUE}"


def answers(stage: Stage, phone: str) -> list[str]:
    """What a phone was told of whom to call."""
    return [body for body in stage.to(phone) if "Call rescue now" in body]


def told(stage: Stage, phone: str = FINN) -> list[str]:
    """What an admin was told of somebody in trouble."""
    return [body for body in stage.to(phone) if "SOS from" in body]


def notes(stage: Stage) -> list[Any]:
    """What the club's log says of the texts that no dive has."""
    entries = stage.entries(chain=log.club_chain(CLUB))
    return [(one.detail or {})["note"] for one in entries if one.kind == "text_read"]


def set_club(stage: Stage, **values: Any) -> None:
    """Change what the snapshot takes from the club."""
    stage.service.write(lambda session: session.execute(update(ClubRow).where(ClubRow.id == CLUB).values(**values)))


def calls(keeping: Keeping, sender: str = STRANGER, words: str = "SOS", *, after: float = 3) -> None:
    """A text so many minutes later, and a look behind it."""
    keeping.without(minutes=after)
    keeping.spooled(sender, words)
    keeping.without(seconds=10)


def test_whoever_calls_for_help_hears_whom_to_call_and_the_admins_whom_to_phone(keeping_on_both: Keeping) -> None:
    """Within a look; and when the database is back nobody is told the same once more, nor the contrary."""
    stage = keeping_on_both.stage
    keeping_on_both.look()
    with gone(stage.engine):
        calls(keeping_on_both, words="SOS Bram is under, Gull Rock")
        assert stage.to(STRANGER) == [CALL]
        [words] = told(stage)
        assert words == (
            'Skerry Bay Divers: SOS from +44 7700 900099: "SOS Bram is under, Gull Rock". Our service has a fault:'
            f" maybe nobody else hears of it. Call them, then rescue: {RESCUE}."
        )
    keeping_on_both.look()
    stage.turn()

    assert stage.to(STRANGER) == [CALL]
    assert len(told(stage)) == 1
    assert notes(stage) == ["SOS with no dive; the admins were told in the outage; not sent: answered in the outage"]
    assert not keeping_on_both.spool.waiting()


def test_a_diver_whose_dive_the_snapshot_has_not_is_heard_and_then_their_contacts_are(keeping_on_both: Keeping) -> None:
    """Filed after the last look of the keeper: in the outage nobody can know of it, and then it is an alarm as ever."""
    stage = keeping_on_both.stage
    keeping_on_both.look()
    dive = stage.dive_in()
    with gone(stage.engine):
        calls(keeping_on_both, ANNA)
        assert stage.last_to(ANNA) == CALL
        assert len(told(stage)) == 1
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    assert "ALARM" in stage.last_to(CLEO)
    assert "ALARM raised" in stage.last_to(ANNA)
    assert len(told(stage)) == 1
    stage.text(ANNA, "OUT")


def test_over_two_hours_after_the_end_they_are_told_whom_to_call(keeping_on_both: Keeping) -> None:
    """No alarm goes out for it, and the answer of the database would say no more: by its reference, too."""
    stage = keeping_on_both.stage
    dive = over(keeping_on_both)
    with gone(stage.engine):
        calls(keeping_on_both, ANNA, "SOS", after=70)
        calls(keeping_on_both, ANNA, f"SOS {dive.reference}")
        assert answers(stage, ANNA) == [CALL, CALL]
    keeping_on_both.look()
    stage.turn()

    assert answers(stage, ANNA) == [CALL, CALL]
    assert [len(stage.to(phone)) for phone in (CLEO, DOV)] == [2, 2]
    assert stage.dive(dive.id).phase is Phase.CLOSED


@pytest.mark.parametrize(
    ("words", "heard"),
    [
        pytest.param("SOS", True, id="SOS"),
        pytest.param("HELP", True, id="what carriers answer: they may be in the water"),
        pytest.param("we cannot find Bram", True, id="words of trouble"),
        pytest.param("OUT", False, id="an end"),
        pytest.param("STOP", False, id="no more texts"),
        pytest.param("are you there", False, id="anything else"),
    ],
)
def test_what_is_a_call_for_help(keeping: Keeping, words: str, *, heard: bool) -> None:
    """All that may raise an alarm; the rest waits for the database."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        calls(keeping, words=words)
        assert [len(stage.to(STRANGER)), len(told(stage))] == [int(heard)] * 2
    keeping.look()
    stage.turn()


def test_in_the_first_two_minutes_nothing_is_told(keeping: Keeping) -> None:
    """The database may be back any moment, and knows their dive."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        calls(keeping, after=1)
        assert stage.to(STRANGER) == []
    keeping.look()
    stage.turn()

    assert "no open dive for this phone" in stage.last_to(STRANGER)


def test_in_the_language_of_the_club_or_of_whoever_is_known(keeping: Keeping) -> None:
    """A stranger has none; a diver has the one that the plan gives them."""
    stage = keeping.stage
    set_club(stage, settings={"language": "de"})
    dive = stage.dive_in(plan_of(1))
    stage.text(dive.lead.phone or "", "OUT")
    stage.wait(minutes=60)
    set_club(stage, settings={"language": "fr"})
    keeping.look()
    with gone(stage.engine):
        calls(keeping)
        assert "Appelez les secours: 07700" in stage.last_to(STRANGER)
        assert "SOS de +44 7700 900099" in stage.last_to(FINN)
        calls(keeping, dive.lead.phone or "", "HELP")
        assert "Jetzt Rettung rufen: 07700" in stage.last_to(dive.lead.phone or "")
    keeping.look()
    stage.turn()


def test_where_the_snapshot_is_of_another_day_a_diver_is_heard_all_the_same(keeping: Keeping) -> None:
    """No alarm goes out by it: so whoever calls is told whom to call, and the admins whom to phone."""
    stage = keeping.stage
    dive = stage.dive_in()
    keeping.look()
    stage.text(ANNA, "OUT")
    with gone(stage.engine):
        stage.clock.at += timedelta(hours=13)
        keeping.start_again()
        calls(keeping, ANNA)
        assert stage.last_to(ANNA) == CALL
        assert len(told(stage)) == 1
        assert "NO ALARM GOES OUT" in stage.to(FINN)[0]
    keeping.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.CLOSED


def test_a_club_without_a_number_for_rescue_names_what_every_phone_takes(keeping: Keeping) -> None:
    """Never set, or of a snapshot that an older version wrote."""
    stage = keeping.stage
    set_club(stage, rescue_call=" ")
    keeping.look()
    with gone(stage.engine):
        calls(keeping)
        assert stage.last_to(STRANGER).endswith("Call rescue now: 112")
    keeping.look()
    stage.turn()


def test_the_same_words_are_told_once_and_new_ones_three_times_an_hour(keeping: Keeping) -> None:
    """Two gateways bring one text, a thumb sends it twice, machines answer each other: but who writes anew is heard."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        keeping.without(minutes=2)
        keeping.spooled(STRANGER, "SOS")
        keeping.spooled(STRANGER, "SOS")
        keeping.without(minutes=1)
        keeping.spooled(STRANGER, "SOS")
        keeping.without(seconds=20)
        assert [len(stage.to(STRANGER)), len(told(stage))] == [1, 1]
        calls(keeping, words="SOS")
        calls(keeping, words="SOS at Gull Rock")
        calls(keeping, words="SOS hurry")
        assert [len(stage.to(STRANGER)), len(told(stage))] == [3, 3]
        calls(keeping, words="SOS hurry", after=60)
        assert [len(stage.to(STRANGER)), len(told(stage))] == [4, 4]
    keeping.look()
    stage.turn()


def test_a_keeper_that_is_started_again_neither_forgets_nor_repeats(keeping: Keeping) -> None:
    """What it told is in its journal, with whose words it was about."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        calls(keeping)
        for _ in range(3):
            keeping.start_again()
            keeping.without(seconds=20)
        keeping.spooled(STRANGER, "SOS")
        keeping.without(seconds=10)
        assert [len(stage.to(STRANGER)), len(told(stage))] == [1, 1]
        for words in ("SOS one", "SOS two", "SOS three"):
            calls(keeping, words=words, after=1)
            keeping.start_again()
        assert [len(stage.to(STRANGER)), len(told(stage))] == [3, 3]
    keeping.look()
    stage.turn()


def test_every_admin_who_can_be_told_is_but_for_the_sender(keeping: Keeping) -> None:
    """One has opted out; another is the one who calls, and is answered."""
    stage = keeping.stage
    second_admin(stage)
    stage.text(FINN, "STOP")
    keeping.look()
    with gone(stage.engine):
        calls(keeping)
        assert (told(stage), len(told(stage, GRETE))) == ([], 1)
        calls(keeping, GRETE)
        assert len(told(stage, GRETE)) == 1
        assert stage.last_to(GRETE) == CALL
    keeping.look()
    stage.turn()


def test_who_has_said_stop_in_the_outage_is_not_answered_and_the_admins_hear(keeping: Keeping) -> None:
    """As with the database nothing goes to that phone."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        calls(keeping, words="STOP")
        calls(keeping)
        assert (stage.to(STRANGER), len(told(stage))) == ([], 1)
    keeping.look()
    stage.turn()


def test_who_cannot_be_answered_is_told_of_once(keeping_on_both: Keeping) -> None:
    """A satellite messenger texts by a name: the database does not tell the admins again what they have heard."""
    stage = keeping_on_both.stage
    keeping_on_both.look()
    with gone(stage.engine):
        calls(keeping_on_both, "SATMSG", "SOS at Gull Rock")
        assert 'SOS from SATMSG: "SOS at Gull Rock"' in told(stage)[0]
    before = len(stage.to(FINN))
    keeping_on_both.look()
    stage.turn()
    assert len(stage.to(FINN)) == before + 1
    assert "database is back" in stage.last_to(FINN)

    stage.wait(minutes=5)
    stage.text("SATMSG", "SOS again")
    assert "who cannot be answered" in stage.last_to(FINN)


def test_an_answer_that_nobody_took_comes_from_the_database(keeping_on_both: Keeping) -> None:
    """Neither gateway could be reached: what may not have arrived counts for nothing, and the admin is tried on."""
    stage = keeping_on_both.stage
    keeping_on_both.look()
    with gone(stage.engine):
        stage.first.usually = stage.second.usually = time_out
        calls(keeping_on_both)
        stage.first.usually = stage.second.usually = accept
        keeping_on_both.without(minutes=1)
        assert (stage.to(STRANGER), len(told(stage))) == ([], 1)
    keeping_on_both.look()
    stage.turn()

    assert "no open dive for this phone" in stage.last_to(STRANGER)
    assert notes(stage) == ["SOS with no dive; the admins were told in the outage"]


def test_one_that_comes_when_the_database_is_back_is_answered_as_ever(keeping: Keeping) -> None:
    """The keeper's answer, and what it told the admins, was to another text."""
    stage = keeping.stage
    keeping.look()
    with gone(stage.engine):
        calls(keeping)
    keeping.look()
    stage.wait(minutes=5)
    stage.text(STRANGER, "SOS")

    assert "no open dive for this phone" in stage.last_to(STRANGER)
    assert len(told(stage)) == 2


def part(keeping: Keeping, sender: str, number: int, body: str) -> None:
    """One of two parts of a long text."""
    text = InboundText("first", f"part-{number}", sender, OURS, body, {}, keeping.stage.clock.at)
    keeping.spool.keep(replace(text, part=TextPart("7", number, 2)))


def test_the_first_part_of_a_long_call_for_help_is_heard(keeping_on_both: Keeping) -> None:
    """Nobody can put it together now: words of trouble hold, and what else is in half a text is nothing."""
    stage = keeping_on_both.stage
    dive = stage.dive_in()
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        part(keeping_on_both, ANNA, 2, "OUT")
        keeping_on_both.without(seconds=10)
        part(keeping_on_both, ANNA, 1, "SOS Bram is under at Gull Rock and we ")
        keeping_on_both.without(seconds=10)
        assert "Gull Rock" in stage.last_to(CLEO)
        assert told(stage) == []
    keeping_on_both.look()
    stage.turn()

    assert stage.dive(dive.id).phase is Phase.ALERT
    stage.text(ANNA, "OUT")


def test_a_long_call_that_no_dive_takes_is_answered_once(keeping_on_both: Keeping) -> None:
    """By its first part; the other is here a moment later, and the whole is read when the database is back."""
    stage = keeping_on_both.stage
    keeping_on_both.look()
    with gone(stage.engine):
        keeping_on_both.without(minutes=3)
        part(keeping_on_both, STRANGER, 1, "SOS we are at Gull Rock and there is ")
        keeping_on_both.without(seconds=20)
        part(keeping_on_both, STRANGER, 2, "nobody else on the beach")
        keeping_on_both.without(seconds=10)
    keeping_on_both.look()
    stage.turn()

    assert (stage.to(STRANGER), len(told(stage))) == ([CALL], 1)
