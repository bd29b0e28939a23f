"""One text from the beach: a plan with the usual contacts, filed and started, and every way in which that fails."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import update

from service.domain.dive import Dive, Phase
from service.domain.encoding import segments
from service.domain.language import LANGUAGES
from service.operations.inbound import answer_text
from service.store import clubs, people
from service.store.tables import ClubRow, PersonRow
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, CLUB, DOV, EDDA, STRANGER, Stage, plan

WHOLE = "IN LANTERN 50 P2"


def set_person(stage: Stage, phone: str, **values: object) -> None:
    """Change what the club keeps of somebody."""
    change = update(PersonRow).where(PersonRow.club_id == CLUB, PersonRow.phone == phone).values(**values)
    stage.service.write(lambda session: session.execute(change))


def test_one_text_files_a_plan_starts_it_and_tells_the_usual_contacts(stage: Stage) -> None:
    """The answer names the contacts and the raise-by time; ARMED comes once one of them has the plan."""
    answers = stage.text(ANNA, WHOLE)

    [dive] = stage.all_dives()
    assert answers[0] == (
        "Skerry Bay Divers: plan filed for Lantern Cove. Told now: Cleo Marsh, Dov Lind, Edda Rowe. Alarm 11:05."
        f" Go in once we answer ARMED. Out: text OUT {dive.finish_code}."
    )
    assert "ARMED. 2 in, due out 10:50." in answers[1]
    assert (dive.phase, dive.head_count, dive.plan.lead.name) == (Phase.IN_WATER, 2, "Anna Holt")
    for phone in (CLEO, DOV, EDDA):
        [notice] = stage.to(phone)
        assert "Anna Holt + 1 (2 divers)" in notice
        assert "Not heard by 11:05" in notice
    stage.wait(minutes=66)
    assert "OVERDUE" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


def test_a_text_that_comes_twice_starts_one_dive(stage: Stage) -> None:
    """The second says that the clock runs, and for what one has already."""
    stage.text(ANNA, WHOLE)

    [answer] = stage.text(ANNA, WHOLE)

    assert "The clock has run since 10:00" in answer
    assert len(stage.all_dives()) == 1
    stage.text(ANNA, "out 2")


def test_a_second_dive_of_the_day_is_started_like_the_first(stage: Stage) -> None:
    """The dive that is over since an hour is not meant."""
    stage.text(ANNA, WHOLE)
    stage.text(ANNA, "out 2")
    stage.wait(minutes=60)

    answers = stage.text(ANNA, "in lantern 40 min p3")

    assert "Alarm 11:55" in answers[0]
    assert [dive.head_count for dive in stage.all_dives()] == [2, 3]
    stage.text(ANNA, "out 3")


def test_a_plan_that_is_filed_there_is_started_and_no_second_one_made(stage: Stage) -> None:
    """The contacts who were agreed for it are the ones who are told."""
    dive = stage.file()

    stage.text(ANNA, WHOLE)

    assert [one.id for one in stage.all_dives()] == [dive.id]
    assert stage.dive(dive.id).live
    assert stage.to(EDDA) == []
    stage.text(ANNA, "out 2")


def test_a_plan_for_another_site_is_left_as_it_is(stage: Stage) -> None:
    """It may be for the afternoon."""
    other = stage.file()

    stage.text(ANNA, "IN SLIP 30 P2")

    assert stage.dive(other.id).phase is Phase.FILED
    assert [dive.plan.site.code for dive in stage.all_dives() if dive.live] == ["SLIP"]
    stage.text(ANNA, f"nogo {other.reference}")
    stage.text(ANNA, "out 2")


FAILURES = [
    ("an unknown phone", STRANGER, WHOLE, "NOT STARTED, your phone is not known here", "/join/skerry-bay"),
    ("no usual contacts", CLEO, WHOLE, "NOT STARTED, no usual contacts are kept for you", "/plan"),
    ("a site that is nearly one", ANNA, "IN LANTERNE 50 P2", "NOT STARTED, no site LANTERNE here", "LANTERN?"),
    ("a site that is none", ANNA, "IN XYZZY 50 P2", "NOT STARTED, no site XYZZY here", "LANTERN"),
    ("no minutes", ANNA, "IN LANTERN", "NOT STARTED. Say the minutes and how many too", "IN LANTERN 50 P2"),
    ("no head count", ANNA, "IN LANTERN 50", "NOT STARTED. Say the minutes and how many too", "IN LANTERN 50 P2"),
    ("ten hours", ANNA, "IN LANTERN 10 hours P2", "NOT STARTED, no clock runs", "Run time"),
    ("a crowd", ANNA, "IN LANTERN 50 P30", "NOT STARTED, no clock runs", "at most 12 divers"),
]


@pytest.mark.parametrize(
    ("sender", "body", "words", "what_to_do"), [row[1:] for row in FAILURES], ids=[row[0] for row in FAILURES]
)
def test_what_cannot_be_started_is_answered_in_one_text_with_what_to_do(
    quick_stage: Stage, sender: str, body: str, words: str, what_to_do: str
) -> None:
    """Nothing is filed, and the first words say that no clock runs."""
    [answer] = quick_stage.text(sender, body)

    assert answer.startswith(f"Skerry Bay Divers: {words}")
    assert what_to_do in answer
    assert len(segments(answer).parts) == 1
    assert quick_stage.all_dives() == []
    assert quick_stage.to(DOV) == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_failure_fits_one_text_in_every_language(quick_stage: Stage, language: str) -> None:
    """The club's language is that of a phone that it does not know, the person's own that of one that it knows."""
    for phone in (ANNA, CLEO):
        set_person(quick_stage, phone, language=language)
    change = update(ClubRow).where(ClubRow.id == CLUB).values(settings={"language": language})
    quick_stage.service.write(lambda session: session.execute(change))

    answers = [quick_stage.text(sender, body) for _, sender, body, *_ in FAILURES[:5]]

    for [answer] in answers:
        assert len(segments(answer).parts) == 1
    assert ("NOT STARTED" in answers[0][0]) is (language == "en")


def test_nothing_is_started_while_the_dive_before_it_runs(stage: Stage) -> None:
    """A party that forgot to say OUT hears it; nobody is in twice."""
    first = stage.dive_in()

    [answer] = stage.text(ANNA, "IN SLIP 30 P2")

    assert f"NOT STARTED, dive {first.reference} still runs. All out? Text OUT" in answer
    assert [dive.id for dive in stage.all_dives()] == [first.id]
    stage.text(ANNA, "out 2")


def test_contacts_who_declined_are_not_named_as_told_and_the_lead_hears_of_them(stage: Stage) -> None:
    """What the answer says is what happens."""
    stage.text(DOV, "DECLINE")

    answers = stage.text(ANNA, WHOLE)

    assert any("Told now: Cleo Marsh, Edda Rowe." in answer for answer in answers)
    assert any("Dov Lind will not be a contact" in answer for answer in answers)
    assert not any("please keep" in body for body in stage.to(DOV))
    stage.text(ANNA, "out 2")


def test_a_start_that_would_reach_nobody_is_refused(stage: Stage) -> None:
    """A plan that nobody receives is worse than none."""
    for phone in (DOV, EDDA):
        stage.text(phone, "DECLINE")

    [answer] = stage.text(BRAM, WHOLE)

    assert "NOT STARTED, no clock runs. Name somebody else ashore" in answer
    assert stage.all_dives() == []


def test_who_has_contacts_that_never_answered_is_told_to_phone_one(quick_stage: Stage) -> None:
    """While they are dry; the clock runs all the same."""
    set_person(quick_stage, BRAM, usual_contacts=[{"name": "Una Fell", "phone": "+447700900088"}])

    answers = quick_stage.text(BRAM, WHOLE)

    assert any("none of your contacts has ever answered us: phone one of them" in answer for answer in answers)
    assert any("Bram Vik named you as a shore contact" in body for body in quick_stage.to("+447700900088"))
    quick_stage.text(BRAM, "out 2")


def test_a_text_that_lay_somewhere_is_due_out_when_its_sender_meant_to_be(stage: Stage) -> None:
    """Twelve minutes at a gateway: the clock starts now and ends at the minute that the diver counts on."""
    inbound_id = stage.receive(ANNA, WHOLE, received_at=BEGIN_AT - timedelta(minutes=12))
    assert inbound_id is not None

    answer_text(stage.service, inbound_id)
    stage.courier.carry()

    [dive] = stage.all_dives()
    assert dive.due_out_at == BEGIN_AT + timedelta(minutes=38)
    stage.text(ANNA, "out 2")


def test_an_end_that_lay_there_too_ends_the_dive_of_the_start_before_it(stage: Stage) -> None:
    """Both were read forty minutes late, in their order: nobody is looked for who said that they are out."""
    lay = [
        stage.receive(ANNA, body, received_at=BEGIN_AT - timedelta(minutes=ago))
        for body, ago in ((WHOLE, 40), ("OUT 2", 5))
    ]
    for inbound_id in lay:
        assert inbound_id is not None
        answer_text(stage.service, inbound_id)
    stage.courier.carry()

    [dive] = stage.all_dives()
    assert (dive.phase, dive.closed_count) == (Phase.CLOSED, 2)
    stage.wait(minutes=60)
    assert not any("OVERDUE" in body for body in stage.to(CLEO))


def test_a_phone_that_another_club_knows_starts_nothing_here(quick_stage: Stage) -> None:
    """People belong to one club."""

    def elsewhere(session: object) -> None:
        clubs.add(
            session,  # type: ignore[arg-type]
            club_id="other",
            name="Other Club",
            country="GB",
            zone="Europe/London",
            receiving_number="+447700900600",
            rescue_call="999",
        )
        people.add(
            session,  # type: ignore[arg-type]
            club_id="other",
            name="Anna Holt",
            phone=STRANGER,
            usual_contacts=(("Cleo Marsh", CLEO),),
        )

    quick_stage.service.write(elsewhere)

    [answer] = quick_stage.text(STRANGER, WHOLE)

    assert "your phone is not known here" in answer
    assert quick_stage.all_dives() == []


def test_a_plan_that_waits_is_named_to_whoever_files_another(stage: Stage) -> None:
    """They changed their mind: the first would be taken for started while they dive by the second."""
    stage.text(ANNA, "PLAN LANTERN 1100 50 P2")
    [first] = stage.all_dives()

    told = stage.text(ANNA, "PLAN LANTERN 1130 50 P3")

    still = f"plan {first.reference} is filed too: Lantern Cove, 11:00. Not that dive? Text NOGO {first.reference}."
    assert f"Skerry Bay Divers: {still}" in told
    stage.text(ANNA, f"NOGO {first.reference}")
    [second] = [dive for dive in stage.all_dives() if dive.phase is Phase.FILED]
    assert not [text for text in stage.text(ANNA, "PLAN KELP 1200 50 P2") if first.reference in text]
    stage.text(ANNA, f"NOGO {second.reference}")


def test_a_plan_elsewhere_that_waits_is_named_to_whoever_starts_by_one_text(stage: Stage) -> None:
    """Without a time in where it has none. Another's plan, in which they only dive, is not theirs to hear of."""
    stage.file()
    bram = len(stage.to(BRAM))
    stage.text(BRAM, "IN KELP 40 P1")
    assert not [text for text in stage.to(BRAM)[bram:] if "is filed too" in text]

    told = stage.text(ANNA, "IN KELP 40 P1")

    [first] = [dive for dive in stage.all_dives() if dive.phase is Phase.FILED]
    assert any(f"plan {first.reference} is filed too: Lantern Cove. Not that dive?" in text for text in told)
    stage.text(ANNA, "OUT 1")
    stage.text(BRAM, "OUT 1")
    stage.text(ANNA, "NOGO")


@pytest.mark.parametrize("words", ["IN", "in p2", "IN P3"])
def test_an_in_that_is_of_the_dive_before_names_the_plan_that_it_did_not_start(stage: Stage, words: str) -> None:
    """OUT was forgotten, and the second dive of the day is elsewhere: only its reference or code starts it."""
    first = stage.dive_in()
    stage.sleep(30)
    stage.text(ANNA, "PLAN KELP 1030 40 P2")
    [plan] = [dive for dive in stage.all_dives() if dive.phase is Phase.FILED]

    told = stage.text(ANNA, words)

    left = f"Plan {plan.reference} is NOT STARTED: going in by it? Text IN {plan.reference}."
    assert f"Skerry Bay Divers: dive {first.reference} has run since 10:00. {left}" in told
    assert stage.dive(plan.id).phase is Phase.FILED
    stage.text(ANNA, f"IN {plan.reference}")
    assert stage.dive(plan.id).live
    for dive in (first, plan):
        stage.text(ANNA, f"OUT {dive.reference}")


def test_an_in_said_twice_names_no_plan_for_hours_later(stage: Stage) -> None:
    """It is answered with the times of the dive that runs, as before."""
    stage.dive_in()
    stage.text(ANNA, "PLAN KELP 1400 40 P2")

    [told] = stage.text(ANNA, "IN")

    assert "The clock has run since 10:00" in told
    stage.text(ANNA, "OUT 2")
    stage.text(ANNA, "NOGO")


def filed_for(stage: Stage, minutes: int) -> Dive:
    """A plan to go in so many minutes from now."""
    return stage.file(plan(time_in_at=stage.clock.at + timedelta(minutes=minutes)))


@pytest.mark.parametrize("by", ["code", "bare code", "reference"])
def test_a_start_names_the_plan_of_about_now_that_it_leaves_waiting(stage: Stage, by: str) -> None:
    """Both were filed on a page, of which the first knew nothing: it would be taken for started in mid-dive."""
    first, second = filed_for(stage, 20), filed_for(stage, 25)
    words = {"code": f"IN {second.start_code}", "bare code": second.start_code, "reference": f"IN {second.reference}"}

    told = stage.text(ANNA, words[by])

    left = f"plan {first.reference} is filed too: Lantern Cove, 10:20. Not that dive? Text NOGO {first.reference}."
    assert f"Skerry Bay Divers: {left}" in told
    assert any("ARMED" in text for text in stage.to(ANNA))
    stage.text(ANNA, "NOGO")
    assert stage.dive(first.id).phase is Phase.CLOSED
    assert stage.dive(second.id).live
    stage.text(ANNA, "OUT 2")


def test_a_start_names_no_plan_that_nobody_takes_for_started(stage: Stage) -> None:
    """One without a time in waits for its IN, and one for the afternoon is asked about then."""
    others = [stage.file(), filed_for(stage, 180)]
    dive = filed_for(stage, 5)

    told = stage.text(ANNA, f"IN {dive.start_code}")

    assert not [text for text in told if "is filed too" in text]
    assert not [text for text in stage.text(ANNA, f"IN {dive.start_code}") if "NOT STARTED" in text]
    stage.text(ANNA, "OUT 2")
    for other in others:
        stage.text(ANNA, f"NOGO {other.reference}")
