"""Plans: taken, taken once, refused with what to mend, previewed without a trace."""

from __future__ import annotations

import secrets
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from service.domain.codes import REFERENCE_SPACE, make_reference
from service.domain.people import Actor, Role, Via
from service.domain.plan import refusals
from service.operations.filing import (
    REFERENCE_DRAWS,
    REFERENCE_REST,
    PlanFiled,
    PlanRefused,
    Preview,
    file_plan,
    preview,
)
from service.operations.plan_reading import GasRequest, NamedPhone, PlaceRequest, PlanRequest
from service.store import dives
from service.store.tables import DiveRow, LogEntryRow, MessageRow
from tests.operations.stage import ANNA, BEGIN_AT, BY_ANNA, CLEO, CLUB, DOV, Stage, plan, plan_of

AWAY = PlaceRequest("Gannet Ledge", (47.2, -20.6), "07700 900998 (harbour office)")
GAS = GasRequest(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=0)


def local(text: str) -> datetime:
    """A wall-clock time as a form has it, with no zone."""
    return datetime.fromisoformat(text)


REFUSED = {
    "a time in that has passed": (plan(time_in_at=BEGIN_AT - timedelta(minutes=11)), "time_in", "has passed"),
    "a time in a month ahead": (plan(time_in_at=BEGIN_AT + timedelta(days=31)), "time_in", "14 days ahead"),
    "forty hours": (plan(run_time_min=40 * 60), "run_time", "from 5 to 360 minutes"),
    "no time at all": (plan(run_time_min=0), "run_time", "from 5 to 360 minutes"),
    "a run time that is no number": (plan(run_time_min=float("nan")), "run_time", "in minutes"),
    "a run time past all bounds": (plan(run_time_min=1e300), "run_time", "in minutes"),
    "contacts who are the divers": (
        plan(contacts=(NamedPhone("Anna Holt", ANNA), NamedPhone("Bram Vik", "07700 900002"))),
        "contacts",
        "all in the water",
    ),
    "no contact": (plan(contacts=()), "contacts", "at least one person ashore"),
    "a contact without a number": (plan(contacts=(NamedPhone("Cleo Marsh"),)), "contacts", "Cleo Marsh: Give a phone"),
    "a contact with half a number": (
        plan(contacts=(NamedPhone("Cleo Marsh", "0770 09"),)),
        "contacts",
        "Cleo Marsh: This number",
    ),
    "an emergency number as contact": (plan(contacts=(NamedPhone("Rescue", "999"),)), "contacts", "emergency number"),
    "a lead without a number": (plan(lead=NamedPhone("Anna Holt")), "lead", "mobile number"),
    "a lead with letters for a number": (plan(lead=NamedPhone("Anna Holt", "ring me")), "lead", "letters"),
    "a site the club does not know": (plan(site="ATLANTIS"), "site", "no site ATLANTIS. Sites: KELP, LANTERN, SLIP"),
    "another place without a position": (
        plan(site=PlaceRequest("Gannet Ledge", None, "07700 900998")),
        "site",
        "Give the position",
    ),
    "another place off the globe": (plan(site=PlaceRequest("Gannet Ledge", (97.0, 0.0), "07700 900998")), "site", ""),
    "a grace period longer than the club's": (plan(grace_min=16), "grace_min", "only shorten"),
    "a grace period of no time": (plan(grace_min=1), "grace_min", "at least 5 minutes"),
    "a grace period past all bounds": (plan(grace_min=1e300), "grace_min", "in minutes"),
    "a grace period that is no number": (plan(grace_min=float("nan")), "grace_min", ""),
    "a local time that does not exist": (
        plan(time_in_local=local("2027-03-28T01:30")),
        "time_in",
        "does not exist: the clocks go forward",
    ),
    "a local time that comes twice": (
        plan(time_in_local=local("2027-10-31T01:30")),
        "time_in",
        "comes twice: the clocks go back",
    ),
    "gas that cannot be": (plan(gas=GAS), "gas", ""),
    "a depth that is no number": (plan(depth_m=float("nan")), "depth_m", "in metres"),
    "thirteen divers": (
        plan(party=tuple(NamedPhone(f"Diver {number}") for number in range(2, 14))),
        "party",
        "at most 12 divers",
    ),
}


@pytest.mark.parametrize(("request_", "field", "words"), REFUSED.values(), ids=REFUSED)
def test_a_plan_is_refused_at_the_field_that_is_wrong(
    quick_stage: Stage, request_: PlanRequest, field: str, words: str
) -> None:
    """What to mend is said beside its field, and nothing of the plan is kept or sent."""
    refused = file_plan(quick_stage.service, CLUB, request_, BY_ANNA)

    assert isinstance(refused, PlanRefused)
    assert [check for check in refused.checks if check.field == field and words in check.words], refused.checks
    assert counts(quick_stage) == (0, 0)


def counts(stage: Stage) -> tuple[int, int]:
    """How many dives and messages there are."""
    rows = [select(func.count()).select_from(table) for table in (DiveRow, MessageRow)]
    dives, messages = (stage.service.read(lambda session, row=row: session.execute(row).scalar_one()) for row in rows)
    return dives, messages


def test_all_that_is_wrong_is_said_at_once(stage: Stage) -> None:
    """Nobody mends one field only to hear of the next."""
    refused = file_plan(
        stage.service, CLUB, plan(site="ATLANTIS", contacts=(NamedPhone("Cleo", "12"),), grace_min=99), BY_ANNA
    )

    assert isinstance(refused, PlanRefused)
    assert {"site", "contacts", "grace_min"} <= {check.field for check in refused.checks}


def test_a_time_in_of_the_last_minutes_is_taken(stage: Stage) -> None:
    """Between looking at the watch and pressing the button up to ten minutes may pass."""
    assert isinstance(
        file_plan(stage.service, CLUB, plan(time_in_at=BEGIN_AT - timedelta(minutes=9)), BY_ANNA), PlanFiled
    )


def test_a_local_time_is_that_of_the_site(stage: Stage) -> None:
    """Ten o'clock at a site in summer time is nine in UTC."""
    filed = file_plan(stage.service, CLUB, plan(time_in_local=local("2027-06-01T11:30")), BY_ANNA)

    assert isinstance(filed, PlanFiled)
    assert filed.dive.plan.time_in_at == datetime(2027, 6, 1, 10, 30, tzinfo=UTC)


def test_a_place_that_the_club_does_not_know_has_its_own_rescue_call(stage: Stage) -> None:
    """What was given for the place goes into the alarm."""
    stage.dive_in(plan(site=AWAY))

    stage.wait(minutes=66)

    assert "At Gannet Ledge, 47.20000,-20.60000." in stage.last_to(CLEO)
    assert "Call rescue: 07700 900998 (harbour office)" in stage.last_to(CLEO)
    stage.text(ANNA, "out 2")


def test_advice_does_not_keep_a_plan_from_being_filed(stage: Stage) -> None:
    """One exit and one contact are advised against, and taken; what could not be cross-checked is said last."""
    filed = file_plan(
        stage.service, CLUB, plan(exits=("East beach",), contacts=(NamedPhone("Dov Lind", DOV),)), BY_ANNA
    )

    assert isinstance(filed, PlanFiled)
    assert {check.field for check in filed.checks} == {"exits", "contacts", "cross_checks"}


def test_a_plan_sent_twice_is_filed_once(stage: Stage) -> None:
    """The second request of the same key gets the first one's dive, and nobody hears twice."""
    first = file_plan(stage.service, CLUB, plan(), BY_ANNA, request_key="form-1")
    second = file_plan(stage.service, CLUB, plan(), BY_ANNA, request_key="form-1")

    assert isinstance(first, PlanFiled)
    assert isinstance(second, PlanFiled)
    assert (second.again, second.dive.id) == (True, first.dive.id)
    assert counts(stage) == (1, 1)


def test_a_plan_sent_twice_at_the_same_moment_is_filed_once(stage: Stage) -> None:
    """A double press on two processes makes one dive."""
    results: list[Any] = []
    gate = threading.Barrier(2)

    def press() -> None:
        gate.wait()
        results.append(file_plan(stage.service, CLUB, plan(), BY_ANNA, request_key="form-1"))

    presses = [threading.Thread(target=press) for _ in range(2)]
    for one in presses:
        one.start()
    for one in presses:
        one.join()

    assert sorted(result.again for result in results) == [False, True]
    assert len({result.dive.id for result in results}) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"lead": NamedPhone("Anna\x00 \x1bHolt\n", ANNA)},
        {"contacts": (NamedPhone("Cleo\x00Marsh", CLEO), NamedPhone("Dov Lind", DOV))},
        {"site": PlaceRequest("Far\x00Cove", (50.1, -5.5), "112\x07 now")},
        {"notes": "second\x00dive", "vehicle": "\x00", "exits": ("East\x00beach", "\x00", "West steps")},
    ],
    ids=["lead", "contact", "place", "words"],
)
def test_what_no_person_types_is_left_out_of_words(stage: Stage, changes: dict[str, Any]) -> None:
    """The row is what the log gives, also for what the columns of no database keep; the words stay apart."""
    dive = stage.file(plan(**changes))

    said = repr((dive.plan, dive.contacts))
    assert "\\x" not in said
    assert dive.lead.name == "Anna Holt"
    assert dive.contacts[0].name == "Cleo Marsh"
    assert dive.plan.site.name in ("Far Cove", "Lantern Cove")
    assert dive.plan.exits == (("East beach", "West steps"))


def test_a_club_that_does_not_exist_takes_no_plan(stage: Stage) -> None:
    """That is an error of the caller, not of the diver."""
    with pytest.raises(LookupError, match="no club elsewhere"):
        file_plan(stage.service, "elsewhere", plan(), BY_ANNA, request_key="form-1")


def test_dives_at_one_time_have_codes_and_references_of_their_own(stage: Stage) -> None:
    """Twelve dives of the same people: no code twice, no reference twice."""
    filed = [stage.file() for _ in range(12)]

    codes = [dive.start_code for dive in filed] + [dive.finish_code for dive in filed]
    assert len(set(codes)) == 24
    assert len({dive.reference for dive in filed}) == 12


def test_the_reference_of_a_dive_that_is_over_rests_for_a_day(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """`OK 2A` may be under way for hours: it must not be taken for an answer to the next dive of the same people."""
    references, draw = iter([0, 0, 1, 0]), secrets.randbelow
    monkeypatch.setattr(secrets, "randbelow", lambda end: next(references) if end == REFERENCE_SPACE else draw(end))
    first = stage.dive_in()
    stage.text(ANNA, f"OUT {first.finish_code}")
    second = stage.file()
    stage.clock.at += REFERENCE_REST
    third = stage.file()

    assert (first.reference, second.reference, third.reference) == ("2A", "3A", "2A")


def test_open_dives_of_a_club_have_references_of_their_own(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """An admin answers any alarm of the club by its reference; two pairs that know nothing of each other had one."""
    references, draw = iter([0, 0, 1]), secrets.randbelow
    monkeypatch.setattr(secrets, "randbelow", lambda end: next(references) if end == REFERENCE_SPACE else draw(end))

    assert [stage.file(plan_of(number)).reference for number in (1, 2)] == ["2A", "3A"]


def test_a_dive_that_a_call_for_help_may_open_again_keeps_its_reference(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An admin's SAFE would mean two dives then; after two hours nothing opens it any more."""
    references, draw = iter([0, 0, 1, 0]), secrets.randbelow
    monkeypatch.setattr(secrets, "randbelow", lambda end: next(references) if end == REFERENCE_SPACE else draw(end))
    first = stage.dive_in(plan_of(1))
    stage.text(first.lead.phone, f"OUT {first.finish_code}")
    second = stage.file(plan_of(2))
    stage.clock.at += timedelta(hours=2)
    third = stage.file(plan_of(3))

    assert (first.reference, second.reference, third.reference) == ("2A", "3A", "2A")


def test_where_a_club_has_every_reference_they_differ_for_the_people_of_a_dive(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred open dives use all of them up; the next one gets one that nobody of it knows."""
    every = {make_reference(number) for number in range(REFERENCE_SPACE)}
    monkeypatch.setattr(dives, "references_of_club", lambda *_: every)
    draw = secrets.randbelow
    drawn = iter([*[0] * 2 * (1 + REFERENCE_DRAWS), 1])
    monkeypatch.setattr(secrets, "randbelow", lambda end: next(drawn) if end == REFERENCE_SPACE else draw(end))

    assert stage.file(plan_of(1)).reference == "2A"
    assert stage.file(plan_of(1)).reference == "3A"


def test_what_contacts_would_be_told_is_shown_without_filing(stage: Stage) -> None:
    """A preview has due out, raise-by time and each contact's text, and leaves nothing behind."""
    shown = preview(stage.service, CLUB, plan(), BY_ANNA)

    assert isinstance(shown, Preview)
    assert shown.dive.due_out_at == BEGIN_AT + timedelta(minutes=50)
    assert shown.dive.raise_by_at == BEGIN_AT + timedelta(minutes=65)
    assert [name for name, _ in shown.contact_texts] == ["Cleo Marsh", "Dov Lind"]
    assert all("Not heard by 11:05" in text for _, text in shown.contact_texts)
    assert counts(stage) == (0, 0)


def test_a_preview_of_a_wrong_plan_says_what_filing_would_say(stage: Stage) -> None:
    """The same checks, before anything is sent."""
    shown = preview(stage.service, CLUB, plan(run_time_min=2_400), BY_ANNA)

    assert isinstance(shown, PlanRefused)
    assert "from 5 to 360" in shown.checks[0].words


def test_the_log_begins_with_who_filed_and_what(stage: Stage) -> None:
    """The first entry of a dive has the plan, the settings that hold for it, and who filed it by which way."""
    by = Actor(Role.STRANGER, "the club's script", Via.API)
    filed = file_plan(stage.service, CLUB, plan(grace_min=10), by)

    assert isinstance(filed, PlanFiled)
    first, messages = stage.entries(filed.dive)
    assert first.kind == "event:filed"
    assert first.actor is not None
    assert first.detail is not None
    assert (first.actor["name"], first.actor["via"]) == ("the club's script", "api")
    assert first.detail["plan"]["site"]["code"] == "LANTERN"
    assert {"grace", "distress_after", "receipt_within"} <= set(first.detail["grace"])
    assert messages.kind == "messages"
    rows = stage.service.read(lambda session: session.execute(select(func.count(LogEntryRow.id))).scalar_one())
    assert rows == 2


def test_a_drill_is_marked_in_every_text(stage: Stage) -> None:
    """From the start notice to the stand-down each text begins with EXERCISE."""
    dive = stage.file(drill=True)
    stage.text(ANNA, f"IN {dive.start_code}")
    stage.wait(minutes=85)
    stage.text(ANNA, "out 2")

    assert len(stage.journal) > 12
    assert all(taken.body.startswith("EXERCISE.") for taken in stage.journal), [t.body for t in stage.journal]


def test_a_plan_whose_only_other_contact_opted_out_is_refused(stage: Stage) -> None:
    """The one who is left dives too, so that nobody ashore would raise the alarm."""
    stage.text(DOV, "STOP")
    asked = plan(contacts=(NamedPhone("Bram Vik", "07700 900002"), NamedPhone("Dov Lind", DOV)))

    answer = file_plan(stage.service, CLUB, asked, BY_ANNA)

    assert isinstance(answer, PlanRefused)
    [why] = refusals(answer.checks)
    assert why.words.endswith("Nothing would reach Dov Lind (opted out); in the water with you: Bram Vik.")
    assert stage.all_dives() == []
