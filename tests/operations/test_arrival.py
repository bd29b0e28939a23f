"""Texts on their way in: stored once, acted on once, put aside loudly, never lost."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from sqlalchemy import select, text, update

from service.operations import inbound as arriving
from service.operations.inbound import answer_text, answer_waiting
from service.store.engine import RunAgainError
from service.store.tables import DiveRow, InboundTextRow
from tests.operations.stage import ANNA, CLEO, DOV, FINN, STRANGER, Stage


def stored(stage: Stage, inbound_id: int | None) -> InboundTextRow:
    """The text as it stands."""
    assert inbound_id is not None
    return stage.service.read(
        lambda session: session.execute(select(InboundTextRow).where(InboundTextRow.id == inbound_id)).scalar_one()
    )


def test_a_text_that_comes_twice_is_stored_once(stage: Stage) -> None:
    """The provider's id tells: the second copy gets no id of ours, and so no answer."""
    dive = stage.dive_in()
    first = stage.receive(ANNA, "out 2", provider_id="same")
    second = stage.receive(ANNA, "out 2", provider_id="same")

    assert second is None
    assert first is not None
    answer_text(stage.service, first)
    assert stage.kinds(dive).count("event:closed") == 1


def test_one_id_of_two_gateways_is_two_texts(stage: Stage) -> None:
    """Each gateway numbers for itself."""
    assert stage.receive(ANNA, "status", provider_id="same") is not None
    assert stage.receive(ANNA, "where", provider_id="same", gateway="second") is not None
    answer_waiting_now(stage)


def answer_waiting_now(stage: Stage) -> None:
    """A minute later a sweep answers what is left."""
    stage.sleep(1)
    assert answer_waiting(stage.service) > 0


def test_a_text_answered_twice_does_nothing_more(stage: Stage) -> None:
    """A webhook delivered twice, a task run twice: one event, one answer, one entry."""
    dive = stage.dive_in()
    inbound_id = stage.receive(ANNA, "late 20")
    assert inbound_id is not None

    for _ in range(3):
        answer_text(stage.service, inbound_id)

    assert stage.kinds(dive).count("event:extension_asked") == 1
    assert stage.kinds(dive).count("text_read") == 2


def test_a_text_answered_by_two_at_once_does_nothing_more(stage: Stage) -> None:
    """The web process and the sweep may come to it at the same moment."""
    dive = stage.dive_in()
    inbound_id = stage.receive(ANNA, "late 20")
    assert inbound_id is not None

    at_once([lambda: answer_text(stage.service, inbound_id) for _ in range(2)])

    assert stage.kinds(dive).count("event:extension_asked") == 1


def at_once(works: list[Any]) -> None:
    """Do all of it in threads that begin together; raises what any of them raised."""
    gate = threading.Barrier(len(works))
    faults: list[Exception] = []

    def run(work: Any) -> None:
        gate.wait()
        try:
            work()
        except Exception as fault:  # noqa: BLE001 - shown by the test
            faults.append(fault)

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []


def test_a_text_that_is_not_authentic_is_kept_and_never_acted_on(stage: Stage) -> None:
    """It is in the log as what it is, and the clock runs on."""
    dive = stage.dive_in()
    forged = stage.receive(ANNA, "out 2", authentic=False)
    assert forged is not None

    answer_text(stage.service, forged)
    stage.wait(minutes=1)

    assert stage.dive(dive.id).live
    assert stored(stage, forged).state == "quarantined"
    assert [entry.kind for entry in stage.entries(chain="club:skerry-bay")][-1] == "text_in_unauthentic"


def test_a_forged_copy_does_not_stand_in_the_way_of_the_real_text(stage: Stage) -> None:
    """The id of a text that was forged first is still free for the genuine one."""
    dive = stage.dive_in()
    stage.receive(ANNA, "out 2", provider_id="same", authentic=False)

    real = stage.receive(ANNA, "out 2", provider_id="same")

    assert real is not None
    answer_text(stage.service, real)
    assert not stage.dive(dive.id).live


@pytest.mark.parametrize(
    ("given", "note"),
    [
        ({"receiver": "+447700900777"}, "no club has this receiving number"),
        ({"sender": "InfoLine"}, "the sender is no number that can be answered"),
        ({"sender": "60777"}, "the sender is no number that can be answered"),
    ],
    ids=["to a number of no club", "from a name", "from a short number"],
)
def test_a_text_that_cannot_be_answered_is_put_aside_and_logged(stage: Stage, given: dict[str, str], note: str) -> None:
    """Nothing is sent, and the log says why."""
    inbound_id = stage.receive(**({"sender": ANNA, "body": "out"} | given))
    assert inbound_id is not None

    answer_text(stage.service, inbound_id)

    aside = [entry for entry in stage.entries(chain="service") if entry.kind == "text_put_aside"]
    assert [entry.detail for entry in aside] == [{"inbound": inbound_id, "note": note}]
    assert stage.journal == []


@pytest.mark.parametrize(
    ("body", "heard"),
    [("SOS", 1), ("I cannot find Bram", 1), ("OUT 234439", 1), ("Your parcel is on its way", 0), ("out", 0)],
)
def test_admins_hear_of_a_call_for_help_that_cannot_be_answered(stage: Stage, body: str, heard: int) -> None:
    """A satellite messenger may text from a name or a short number: nobody else could find out who it is."""
    for sender in ("SatLink", "SatLink"):
        stage.receive_and_answer(sender, body)
    stage.courier.carry()

    told = stage.to(FINN)
    assert len(told) == heard
    if heard:
        assert told[0] == (
            f"Skerry Bay Divers: SatLink, who cannot be answered, may need help or be out: {body}. Find out who it is."
        )
    stage.sleep(61)
    stage.receive_and_answer("SatLink", body)
    stage.courier.carry()
    assert len(stage.to(FINN)) == 2 * heard


@pytest.mark.parametrize("body", ["", "\x00", "o\x00ut", "\ud83e", "\u202eTUO", "x" * 1600], ids=repr)
def test_no_text_is_too_strange_to_be_kept(stage: Stage, body: str) -> None:
    """Whatever characters come, the text is stored, answered and logged, and stops no clock."""
    dive = stage.dive_in()

    answers = stage.text(ANNA, body)

    assert len(answers) == 1
    assert stage.dive(dive.id).live


def test_a_text_that_breaks_us_three_times_is_put_aside_and_the_others_are_answered(
    unchecked: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A poisoned text costs itself alone; the log has it."""
    stage = unchecked
    dive = stage.dive_in()
    whole = arriving.read

    def read(body: str) -> Any:
        if body == "poison":
            raise ValueError("the reading broke")
        return whole(body)

    monkeypatch.setattr(arriving, "read", read)
    poison = stage.receive(CLEO, "poison")
    behind = stage.receive(ANNA, "out 2")

    for _ in range(4):
        stage.wait(minutes=1)

    assert stored(stage, behind).state == "answered"
    assert not stage.dive(dive.id).live
    assert (stored(stage, poison).state, stored(stage, poison).tries) == ("quarantined", 3)
    aside = [entry for entry in stage.entries(chain="service") if entry.kind == "text_put_aside"]
    assert [entry.detail for entry in aside] == [{"inbound": poison, "note": "failed 3 times", "alarmed": []}]


def test_a_fault_of_the_database_does_not_count_against_a_text(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """However often the database is away, the text waits, and is answered when it is back."""
    dive = stage.dive_in()
    inbound_id = stage.receive(ANNA, "out 2")
    assert inbound_id is not None
    whole = arriving.answer

    def answer(_: Any) -> Any:
        raise RunAgainError("the database is away")

    monkeypatch.setattr(arriving, "answer", answer)
    for _ in range(4):
        with pytest.raises(RunAgainError, match="away"):
            answer_text(stage.service, inbound_id)
    assert stored(stage, inbound_id).state == "stored"

    monkeypatch.setattr(arriving, "answer", whole)
    stage.wait(minutes=1)
    assert not stage.dive(dive.id).live


def test_what_the_web_did_not_answer_a_sweep_does(stage: Stage) -> None:
    """The process that took the text may die before it reads it."""
    dive = stage.dive_in()
    inbound_id = stage.receive(ANNA, "out 2")

    stage.wait(minutes=1)

    assert stored(stage, inbound_id).state == "answered"
    assert not stage.dive(dive.id).live


def test_an_sos_about_a_dive_that_cannot_be_read_reaches_the_contacts(unchecked: Stage) -> None:
    """The plainest alarm goes out at once, and the sender hears what to do."""
    stage = unchecked
    dive = stage.dive_in()
    damage(stage, dive.id)

    [answer] = stage.text(ANNA, "SOS")

    assert "your dive cannot be read" in answer
    assert "Your contacts are told." in answer
    assert "SERVICE FAULT" in stage.last_to(CLEO)
    assert "SERVICE FAULT" in stage.last_to(DOV)


def test_a_finish_of_a_dive_that_cannot_be_read_is_answered_honestly(unchecked: Stage) -> None:
    """It changed nothing, and the sender is told so; nobody ashore is alarmed by it."""
    stage = unchecked
    dive = stage.dive_in()
    damage(stage, dive.id)

    [answer] = stage.text(ANNA, "OUT 2")

    assert "your text changed nothing. Phone your contacts." in answer
    assert "SERVICE FAULT" not in stage.last_to(CLEO)


def damage(stage: Stage, dive_id: str) -> None:
    """Make the state of a dive unreadable."""
    stage.service.write(lambda session: session.execute(update(DiveRow).values(state='{"phase": 7}')))
    found = stage.service.read(
        lambda session: session.execute(text("SELECT state FROM dives WHERE id = :id"), {"id": dive_id}).scalar_one()
    )
    assert found == '{"phase": 7}'


def test_strangers_get_five_answers_an_hour(stage: Stage) -> None:
    """Two machines that answer each other come to an end; an hour later there are answers again."""
    for _ in range(9):
        stage.text(STRANGER, "hello")
    assert len(stage.to(STRANGER)) == 5

    stage.sleep(61)
    stage.text(STRANGER, "hello")
    assert len(stage.to(STRANGER)) == 6


def test_one_of_the_clubs_own_who_mistypes_a_plan_is_answered_the_sixth_time_too(stage: Stage) -> None:
    """No answer would look like a plan that nobody took; twenty an hour end what two machines say to each other."""
    answers = [stage.text(ANNA, "PLAN LANTEN 1100 50 P2") for _ in range(21)]

    assert [len(told) for told in answers] == [1] * 20 + [0]
    assert all("No site LANTEN here." in told for [told] in answers[:20])
    assert len(stage.text(ANNA, "SOS")) == 1


@pytest.mark.parametrize("cry", ["SOS", "my buddy is missing"])
def test_a_stranger_who_used_up_the_answers_still_hears_whom_to_call(stage: Stage, cry: str) -> None:
    """Wrong codes from a borrowed phone leave three answers to calls for help; then these end too, for an hour."""
    for _ in range(6):
        stage.text(STRANGER, "OUT 123456")
    assert len(stage.to(STRANGER)) == 5

    answers = [stage.text(STRANGER, cry) for _ in range(4)]
    assert [len(told) for told in answers] == [1, 1, 1, 0]
    assert all("Call rescue now: 07700 900999" in told for [told] in answers[:3])
    assert stage.text(STRANGER, "HELP") == stage.text(STRANGER, "hello") == []

    stage.sleep(61)
    assert len(stage.text(STRANGER, cry)) == 1


def test_a_machine_that_only_calls_for_help_gets_the_five_that_all_share(stage: Stage) -> None:
    """Those of its own are for whoever has used up these."""
    for _ in range(9):
        stage.text(STRANGER, "SOS")

    assert len(stage.to(STRANGER)) == 5


def test_whoever_has_a_dive_gets_every_answer(stage: Stage) -> None:
    """Also those answers that belong to no dive in particular, such as to a mistyped code."""
    dive = stage.dive_in()
    mistyped = "0" + dive.finish_code[1:] if dive.finish_code[0] != "0" else "1" + dive.finish_code[1:]

    answers = [stage.text(ANNA, f"OUT {mistyped}") for _ in range(8)]

    assert [len(one) for one in answers] == [1] * 8
